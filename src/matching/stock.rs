//! A stock of injectors to pick from: what each delivers at common operating points.

use std::collections::{BTreeMap, BTreeSet};

use super::{OperatingPoint, members_at};
use crate::capture::StockFile;
use crate::fit::SweepFit;
use crate::units::Unit;

/// A delivered quantity with what is known of its doubt.
#[derive(Debug, Clone, PartialEq)]
pub struct StockAmount {
    /// Delivered quantity, above zero, in the stock's unit.
    pub value: f64,
    /// Its standard uncertainty, shared effects included; `None` = not stated.
    pub standard_uncertainty: Option<f64>,
    /// Signed contribution of each shared effect.
    pub shared: BTreeMap<String, f64>,
}

impl StockAmount {
    /// Variance that no other injector shares; `None` where nothing is stated.
    pub fn own_variance(&self) -> Option<f64> {
        let common: f64 = self.shared.values().map(|s| s * s).sum();
        self.standard_uncertainty.map(|u| (u * u - common).max(0.0))
    }
}

/// One injector of a stock.
#[derive(Debug, Clone, PartialEq)]
pub struct StockItem {
    /// Injector id, once in a stock.
    pub injector: String,
    /// By operating point, in the order of the stock.
    pub amounts: Vec<StockAmount>,
    /// Dead time at the condition of the first operating point, ms.
    pub dead_time_ms: Option<f64>,
    /// Linear flow there, mm³/ms or mg/ms.
    pub flow: Option<f64>,
}

/// A stock of injectors.
///
/// Invariant, kept by [`Stock::new`]: ids differ, every injector has an amount
/// above zero at every operating point, and there is at least one point.
#[derive(Debug, Clone, PartialEq)]
pub struct Stock {
    points: Vec<String>,
    items: Vec<StockItem>,
    left_out: Vec<LeftOut>,
}

/// An injector that cannot be picked, and why.
#[derive(Debug, Clone, PartialEq)]
pub struct LeftOut {
    /// Injector id.
    pub injector: String,
    /// Operating points at which nothing (or nothing above zero) is known.
    pub missing_at: Vec<String>,
}

/// Why a stock cannot be used.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum StockError {
    /// No operating point.
    #[error("no operating point is common to the stock")]
    NoPoint,
    /// An id stands twice.
    #[error("injector {injector} stands twice in the stock")]
    Twice {
        /// The id.
        injector: String,
    },
    /// Volumes and masses cannot be compared.
    #[error("{first} was read as {first_unit}, {other} as {other_unit}")]
    MixedUnits {
        /// First injector.
        first: String,
        /// Its unit.
        first_unit: &'static str,
        /// One with another unit.
        other: String,
        /// That unit.
        other_unit: &'static str,
    },
}

impl StockError {
    /// What can be done about it.
    pub fn hint(&self) -> &'static str {
        match self {
            Self::NoPoint => {
                "state operating points inside what every file measured, as --at 2ms,14V,300kPa"
            }
            Self::Twice { .. } => "give each injector its own id, or leave one of the files out",
            Self::MixedUnits { .. } => {
                "fit all captures in one basis; a density converts one into the other"
            }
        }
    }
}

impl Stock {
    /// Makes a stock. `candidates` have one optional amount per point; those that
    /// lack one, or whose amount is not above zero, are left out and told.
    ///
    /// # Errors
    /// [`StockError::NoPoint`] without points, [`StockError::Twice`] where an id is used again.
    pub fn new(points: Vec<String>, candidates: Vec<Candidate>) -> Result<Self, StockError> {
        if points.is_empty() {
            return Err(StockError::NoPoint);
        }
        let mut seen = BTreeSet::new();
        let (mut items, mut left_out) = (Vec::new(), Vec::new());
        for candidate in candidates {
            if !seen.insert(candidate.injector.clone()) {
                return Err(StockError::Twice {
                    injector: candidate.injector,
                });
            }
            let usable = |a: &Option<StockAmount>| {
                a.as_ref()
                    .is_some_and(|a| a.value > 0.0 && a.value.is_finite())
            };
            let missing_at: Vec<String> = points
                .iter()
                .zip(&candidate.amounts)
                .filter(|(_, amount)| !usable(amount))
                .map(|(point, _)| point.clone())
                .collect();
            if missing_at.is_empty() {
                items.push(StockItem {
                    injector: candidate.injector,
                    amounts: candidate.amounts.into_iter().flatten().collect(),
                    dead_time_ms: candidate.dead_time_ms,
                    flow: candidate.flow,
                });
            } else {
                left_out.push(LeftOut {
                    injector: candidate.injector,
                    missing_at,
                });
            }
        }
        Ok(Self {
            points,
            items,
            left_out,
        })
    }

    /// Names of the operating points.
    pub fn points(&self) -> &[String] {
        &self.points
    }

    /// Injectors that can be picked.
    pub fn items(&self) -> &[StockItem] {
        &self.items
    }

    /// Injectors that cannot.
    pub fn left_out(&self) -> &[LeftOut] {
        &self.left_out
    }

    /// The stock without the injectors at `positions` kept back: only those stay.
    pub(super) fn only(&self, positions: &[usize]) -> Self {
        Self {
            points: self.points.clone(),
            items: positions.iter().map(|&i| self.items[i].clone()).collect(),
            left_out: Vec::new(),
        }
    }

    /// Amounts relative to the stock's mean at each point, item by item: near 1
    /// in any unit.
    pub(super) fn relative_amounts(&self) -> Vec<f64> {
        let count = self.items.len() as f64;
        let means: Vec<f64> = (0..self.points.len())
            .map(|p| self.items.iter().map(|i| i.amounts[p].value).sum::<f64>() / count)
            .collect();
        self.items
            .iter()
            .flat_map(|item| {
                item.amounts
                    .iter()
                    .zip(&means)
                    .map(|(a, mean)| a.value / mean)
            })
            .collect()
    }
}

/// An injector before it is known whether it can be picked.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// Injector id.
    pub injector: String,
    /// One per operating point; `None` = unknown.
    pub amounts: Vec<Option<StockAmount>>,
    /// Dead time, ms.
    pub dead_time_ms: Option<f64>,
    /// Linear flow, mm³/ms or mg/ms.
    pub flow: Option<f64>,
}

/// Makes a stock from fitted sweeps, (injector, sweep) of one stage.
///
/// # Errors
/// [`StockError::NoPoint`], [`StockError::MixedUnits`] where volumes and masses meet.
pub fn stock_from_fits(
    fits: &[(&str, &SweepFit)],
    points: &[OperatingPoint],
) -> Result<Stock, StockError> {
    let members = members_at(fits, points);
    if let Some(first) = members.first()
        && let Some(other) = members.iter().find(|m| m.unit != first.unit)
    {
        return Err(StockError::MixedUnits {
            first: first.injector.clone(),
            first_unit: Unit::word(first.unit),
            other: other.injector.clone(),
            other_unit: Unit::word(other.unit),
        });
    }
    let sweep_of = |id: &str| {
        let at = points.first()?;
        fits.iter()
            .rev()
            .find(|(i, s)| *i == id && super::at_condition(s, at.voltage_v, at.pressure_kpa))
            .map(|(_, s)| *s)
    };
    let candidates = members
        .into_iter()
        .map(|member| {
            let sweep = sweep_of(&member.injector);
            Candidate {
                dead_time_ms: sweep.and_then(|s| Some(s.dead_time.as_ref()?.value)),
                flow: sweep.and_then(|s| Some(s.slope.as_ref()?.value)),
                amounts: member
                    .delivered
                    .into_iter()
                    .map(|delivered| {
                        delivered.map(|d| StockAmount {
                            value: d.value,
                            standard_uncertainty: Some(d.standard_uncertainty),
                            shared: d.shared,
                        })
                    })
                    .collect(),
                injector: member.injector,
            }
        })
        .collect();
    Stock::new(points.iter().map(|p| p.label.clone()).collect(), candidates)
}

/// Makes a stock from a plain table.
///
/// # Errors
/// [`StockError::NoPoint`] without a column of amounts.
pub fn stock_from_table(table: &StockFile) -> Result<Stock, StockError> {
    let candidates = table
        .rows
        .iter()
        .map(|row| Candidate {
            injector: row.injector.clone(),
            amounts: row
                .amounts
                .iter()
                .zip(&row.uncertainties)
                .map(|(value, u)| {
                    value.map(|value| StockAmount {
                        value,
                        standard_uncertainty: *u,
                        shared: BTreeMap::new(),
                    })
                })
                .collect(),
            dead_time_ms: row.dead_time_ms,
            flow: None,
        })
        .collect();
    Stock::new(table.points.clone(), candidates)
}

/// Renames the shared effects of a sweep, so that they are not taken for those of
/// another bench when results of several benches are compared.
pub fn qualify_effects(sweep: &mut SweepFit, bench: &str) {
    let rename = |shared: &mut BTreeMap<String, f64>| {
        *shared = std::mem::take(shared)
            .into_iter()
            .map(|(id, part)| (format!("{bench}: {id}"), part))
            .collect();
    };
    let figures = [
        &mut sweep.slope,
        &mut sweep.dead_time,
        &mut sweep.flow_offset,
        &mut sweep.reading_offset,
    ];
    figures
        .into_iter()
        .flatten()
        .for_each(|e| rename(&mut e.shared));
    let curves = [&mut sweep.delivery, &mut sweep.as_read];
    for curve in curves.into_iter().flatten() {
        curve.shared = std::mem::take(&mut curve.shared)
            .into_iter()
            .map(|(id, parts)| (format!("{bench}: {id}"), parts))
            .collect();
    }
}
