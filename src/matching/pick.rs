//! Which injectors of a stock are the most alike?
//!
//! In: a [`Stock`] and what is wanted. Out: a [`Pick`]: the set whose worst
//! spread over the operating points is smallest, whether that is proved, and how
//! far ahead of the next it is against the noise. It must not know files or wording.

mod doubt;
mod problem;
mod search;

use serde::Serialize;
use serde_json::json;

pub use doubt::Lead;
pub(super) use doubt::stock_upper_bound;
use doubt::{SetFigures, lead};
use problem::{Found, Problem};
use search::{Effort, break_tie, range_of, search};

use super::Stock;
use crate::finding::{Finding, Kind, Place};

/// Branches of the search before the proof is given up; a few seconds.
pub const NODE_LIMIT: u64 = 4_000_000;
/// Runners-up that are shown.
pub const RUNNERS_UP: usize = 2;

/// Which figure `near` looks at.
#[derive(Debug, Clone, PartialEq)]
pub enum NearFigure {
    /// Linear flow, mm³/ms or mg/ms.
    Flow,
    /// Delivered quantity at an operating point, by its name.
    Point(String),
}

/// Only injectors near a flow.
#[derive(Debug, Clone, PartialEq)]
pub struct Near {
    /// Which figure.
    pub figure: NearFigure,
    /// Wanted value in the unit of that figure.
    pub target: f64,
    /// How far off it may be, percent.
    pub within_percent: f64,
}

/// What is wanted.
#[derive(Debug, Clone, PartialEq)]
pub struct PickRequest {
    /// Injectors in the set, 2 or more.
    pub size: usize,
    /// Ids that must be in it.
    pub require: Vec<String>,
    /// Ids that must not.
    pub exclude: Vec<String>,
    /// Only injectors near a flow.
    pub near: Option<Near>,
    /// How many runners-up to give.
    pub runners_up: usize,
    /// Branches before the proof is given up.
    pub node_limit: u64,
    /// Risk of the bounds, percent.
    pub risk_percent: f64,
}

impl PickRequest {
    /// A request for `size` injectors with the defaults.
    pub fn new(size: usize) -> Self {
        Self {
            size,
            require: Vec::new(),
            exclude: Vec::new(),
            near: None,
            runners_up: RUNNERS_UP,
            node_limit: NODE_LIMIT,
            risk_percent: 5.0,
        }
    }
}

/// A set of injectors from the stock.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PickedSet {
    /// Ids in the order of the stock.
    pub injectors: Vec<String>,
    /// Measured spread at the worst point, percent.
    pub spread_percent: f64,
    /// Whether no other set has a smaller one.
    pub proved_best: bool,
    /// No set has a smaller measured spread than this, percent.
    pub spread_at_least_percent: Option<f64>,
    /// One-sided upper bound of the true spread at the risk, percent; it holds
    /// whichever set was picked. `None` where an uncertainty is not stated.
    pub spread_upper_percent: Option<f64>,
    /// Operating point with the largest spread.
    pub worst_point: String,
    /// Measured spread at each operating point, percent.
    pub spread_by_point_percent: Vec<f64>,
    /// Largest minus smallest dead time, µs, where all are known.
    pub dead_time_range_us: Option<f64>,
}

/// The answer.
#[derive(Debug, Clone, PartialEq)]
pub struct Pick {
    /// The best set.
    pub best: PickedSet,
    /// The next best sets, best first.
    pub runners_up: Vec<PickedSet>,
    /// How far the best is ahead of the first of them.
    pub lead: Option<Lead>,
    /// Ids that were not picked, in the order of the stock.
    pub left_over: Vec<String>,
    /// Branches looked at.
    pub nodes: u64,
    /// Doubts.
    pub findings: Vec<Finding>,
}

/// Why nothing can be picked.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PickError {
    /// A set needs two or more.
    #[error("a set of {size} cannot be matched")]
    SizeTooSmall {
        /// As asked.
        size: usize,
    },
    /// Fewer than wanted.
    #[error("{have} injectors can be picked from, {need} are needed")]
    TooFew {
        /// What is left of the stock.
        have: usize,
        /// What is needed.
        need: usize,
    },
    /// An id that the stock does not hold.
    #[error("injector {injector} is not in the stock")]
    Unknown {
        /// As asked.
        injector: String,
        /// The most similar id.
        similar: Option<String>,
    },
    /// Required and excluded, or required but cannot be picked.
    #[error("injector {injector} is required but cannot be picked")]
    RequiredUnusable {
        /// The id.
        injector: String,
    },
    /// More required than the set holds.
    #[error("{required} injectors are required for a set of {size}")]
    TooManyRequired {
        /// How many.
        required: usize,
        /// Size of the set.
        size: usize,
    },
    /// The figure of `near` is unknown.
    #[error("the stock does not state {figure}")]
    NearUnknown {
        /// Which.
        figure: String,
    },
}

impl PickError {
    /// What can be done about it.
    pub fn hint(&self) -> String {
        match self {
            Self::SizeTooSmall { .. } => "ask for two or more".to_owned(),
            Self::TooFew { .. } => {
                "ask for a smaller set, add to the stock, or loosen what was asked; injectors without a figure at every operating point do not count".to_owned()
            }
            Self::Unknown { similar: Some(id), .. } => format!("did you mean {id}?"),
            Self::Unknown { .. } => "ids are those of the injector column".to_owned(),
            Self::RequiredUnusable { .. } => {
                "it is excluded, too far from the wanted flow, or lacks a figure at an operating point".to_owned()
            }
            Self::TooManyRequired { .. } => "require fewer, or ask for a larger set".to_owned(),
            Self::NearUnknown { .. } => "name one of the operating points".to_owned(),
        }
    }
}

/// Picks the most alike injectors.
///
/// *Method*: docs/methods.md, "Picking a set". The exact minimum over all sets of
/// the worst (max − min)/mean over the operating points; sets of equal spread
/// are told apart by the range of their dead times.
///
/// # Errors
/// [`PickError`], each variant with its condition.
pub fn pick(stock: &Stock, request: &PickRequest) -> Result<Pick, PickError> {
    let usable = usable_items(stock, request)?;
    let stock = stock.only(&usable);
    let required: Vec<usize> = request
        .require
        .iter()
        .map(|id| {
            stock
                .items()
                .iter()
                .position(|i| i.injector == *id)
                .expect("checked in usable_items")
        })
        .collect();
    let amounts = stock.relative_amounts();
    let problem = Problem {
        amounts: &amounts,
        points: stock.points().len(),
        size: request.size,
        required: &required,
    };
    let effort = Effort {
        keep: request.runners_up + 1,
        node_limit: request.node_limit,
    };
    let mut searched = search(&problem, effort);
    let mut findings = Vec::new();
    let dead_times: Option<Vec<f64>> = stock.items().iter().map(|i| i.dead_time_ms).collect();
    if let Some(figure) = &dead_times {
        let best = break_tie(&problem, &searched.found[0], figure, request.node_limit);
        searched.found.retain(|f| f.members != best.members);
        searched.found.insert(0, best);
        searched.found.truncate(effort.keep);
    }
    let describe = |found: &Found, proved: bool| {
        describe_set(&stock, &problem, found, proved, &searched, request)
    };
    let best = describe(&searched.found[0], searched.proved);
    let lead = searched.found.get(1).map(|second| {
        let figures = |found: &Found| SetFigures::new(&stock, &found.members);
        lead(
            &stock,
            &figures(&searched.found[0]),
            &figures(second),
            request.risk_percent,
        )
    });
    if !searched.proved {
        findings.push(Finding::new(
            Kind::PickNotProved,
            Place::default(),
            &[
                ("best", json!(best.spread_percent)),
                ("bound", json!(100.0 * searched.lower_bound)),
            ],
        ));
    }
    if let Some(Lead {
        percent,
        within_noise: Some(true),
        ..
    }) = lead
    {
        findings.push(Finding::new(
            Kind::PickWithinNoise,
            Place::default(),
            &[("lead", json!(percent))],
        ));
    }
    let picked = &searched.found[0].members;
    let left_over = (0..stock.items().len())
        .filter(|i| !picked.contains(i))
        .map(|i| stock.items()[i].injector.clone())
        .collect();
    Ok(Pick {
        runners_up: searched.found[1..]
            .iter()
            .map(|f| describe(f, false))
            .collect(),
        best,
        lead,
        left_over,
        nodes: searched.nodes,
        findings,
    })
}

fn describe_set(
    stock: &Stock,
    problem: &Problem,
    found: &Found,
    proved_best: bool,
    searched: &search::Searched,
    request: &PickRequest,
) -> PickedSet {
    let by_point: Vec<f64> = (0..problem.points)
        .map(|p| 100.0 * problem.spread_at(&found.members, p))
        .collect();
    let worst = (0..problem.points)
        .max_by(|a, b| by_point[*a].total_cmp(&by_point[*b]))
        .expect("a stock has a point");
    let dead_times: Option<Vec<f64>> = stock.items().iter().map(|i| i.dead_time_ms).collect();
    PickedSet {
        injectors: found
            .members
            .iter()
            .map(|&i| stock.items()[i].injector.clone())
            .collect(),
        spread_percent: by_point[worst],
        proved_best,
        spread_at_least_percent: Some(100.0 * searched.lower_bound),
        spread_upper_percent: stock_upper_bound(stock, &found.members, request.risk_percent),
        worst_point: stock.points()[worst].clone(),
        dead_time_range_us: dead_times.map(|times| 1000.0 * range_of(&times, &found.members)),
        spread_by_point_percent: by_point,
    }
}

/// Positions of the injectors that may be picked.
fn usable_items(stock: &Stock, request: &PickRequest) -> Result<Vec<usize>, PickError> {
    if request.size < 2 {
        return Err(PickError::SizeTooSmall { size: request.size });
    }
    let known = |id: &String| {
        stock.items().iter().any(|i| i.injector == *id)
            || stock.left_out().iter().any(|l| l.injector == *id)
    };
    if let Some(id) = request
        .require
        .iter()
        .chain(&request.exclude)
        .find(|id| !known(id))
    {
        return Err(PickError::Unknown {
            injector: id.clone(),
            similar: most_similar(stock, id),
        });
    }
    let mut usable = Vec::new();
    for (i, item) in stock.items().iter().enumerate() {
        if !request.exclude.contains(&item.injector) && is_near(stock, i, request.near.as_ref())? {
            usable.push(i);
        }
    }
    let is_usable = |id: &String| usable.iter().any(|&i| stock.items()[i].injector == *id);
    if let Some(id) = request.require.iter().find(|id| !is_usable(id)) {
        return Err(PickError::RequiredUnusable {
            injector: id.clone(),
        });
    }
    if request.require.len() > request.size {
        return Err(PickError::TooManyRequired {
            required: request.require.len(),
            size: request.size,
        });
    }
    if usable.len() < request.size {
        return Err(PickError::TooFew {
            have: usable.len(),
            need: request.size,
        });
    }
    Ok(usable)
}

fn is_near(stock: &Stock, item: usize, near: Option<&Near>) -> Result<bool, PickError> {
    let Some(near) = near else { return Ok(true) };
    let item = &stock.items()[item];
    let value = match &near.figure {
        NearFigure::Flow => item.flow,
        NearFigure::Point(name) => {
            let at = stock.points().iter().position(|p| p == name);
            Some(
                item.amounts[at.ok_or_else(|| PickError::NearUnknown {
                    figure: name.clone(),
                })?]
                .value,
            )
        }
    };
    // An injector whose flow is unknown is not known to be near.
    Ok(value.is_some_and(|v| (v / near.target - 1.0).abs() * 100.0 <= near.within_percent))
}

fn most_similar(stock: &Stock, id: &str) -> Option<String> {
    stock
        .items()
        .iter()
        .map(|i| (strsim::jaro_winkler(id, &i.injector), &i.injector))
        .filter(|(similarity, _)| *similarity > 0.8)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, similar)| similar.clone())
}
