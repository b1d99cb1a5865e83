//! Numbers to enter: flow at the reference and dead time against voltage, at one pressure.

use super::cells::{Cell, Units, name};
use crate::characterisation::Characterisation;
use crate::plots::visible;
use crate::report::{ReportError, Style};
use crate::surface::{Figure, InjectorSurface, Query, build};
use crate::units::{Estimate, Unit};
use crate::words::{Voice, fill};

/// Where most controllers take flow and dead time from, where nobody says otherwise.
const USUAL_VOLTAGE: f64 = 14.0;
const USUAL_PRESSURE: f64 = 300.0;
/// Set points closer than this are the same, as in the capture.
const SAME_PRESSURE: f64 = 0.5;

/// The table.
pub(super) struct Enter {
    /// Under which conditions.
    pub under: String,
    /// Head of the column of flow.
    pub flow_head: String,
    /// Heads of the columns of dead time.
    pub volts: Vec<String>,
    pub rows: Vec<EnterRow>,
    /// Mean of the set, where all can be told.
    pub mean: Option<EnterRow>,
    /// Why cells are empty, how figures came about.
    pub remarks: Vec<String>,
}

/// One injector, or the mean.
pub(super) struct EnterRow {
    /// Number of the injector in the file.
    pub number: usize,
    pub name: String,
    pub flow: Cell,
    pub dead_times: Vec<Cell>,
}

/// What is asked of each surface.
struct Asked {
    pressure: Option<f64>,
    reference: Option<f64>,
    volts: Vec<Option<f64>>,
}

/// Asks each injector's surface for the figures; `None` where no injector has any.
///
/// # Errors
/// [`ReportError`] where the unit of flow needs a density that is not stated.
pub(super) fn enter(
    document: &Characterisation,
    wanted: Option<f64>,
    units: &Units,
    (style, density): (&Style, Option<f64>),
) -> Result<Option<Enter>, ReportError> {
    let v = style.voice();
    let stage = document.set_match.as_ref().and_then(|m| m.stage.as_deref());
    let surfaces: Vec<(usize, InjectorSurface)> = document
        .injectors
        .iter()
        .enumerate()
        .filter_map(|(i, injector)| Some((i, build(&injector.id, &injector.sweeps, stage).ok()?)))
        .collect();
    let Some(asked) = asked(&surfaces, wanted) else {
        return Ok(None);
    };
    let mut remarks: Vec<String> = Vec::new();
    let mut rows = Vec::new();
    let mut answers = Vec::new();
    for (number, surface) in &surfaces {
        let answer = Answer::of(surface, &asked, &mut remarks, v);
        rows.push(EnterRow {
            number: *number,
            name: name(&surface.injector),
            flow: match &answer.flow {
                Some(figure) => {
                    let unit = surface.basis.flow_unit();
                    let estimate = figure.estimate(unit);
                    units.flow(Some(&estimate), surface.basis, (style, density))?
                }
                None => Cell::words(v.words.not_measured),
            },
            dead_times: answer.cells(units, v),
        });
        answers.push(answer);
    }
    let mean = mean(&surfaces, &answers, units, (style, density))?;
    let between = |p: f64| {
        let near = |s: &InjectorSurface| {
            s.pressures_kpa()
                .iter()
                .any(|q| (q - p).abs() < SAME_PRESSURE)
        };
        !surfaces.iter().all(|(_, s)| near(s))
    };
    if asked.pressure.is_some_and(between) {
        remarks.insert(0, v.words.enter_interpolated.to_owned());
    }
    let mut under = v.pressure(asked.pressure);
    if let Some(stage) = surfaces.first().and_then(|(_, s)| s.stage.as_deref()) {
        under = format!("{under}, {}", visible(stage));
    }
    Ok(Some(Enter {
        under,
        flow_head: fill(v.words.flow_at, &[&v.voltage(asked.reference)]),
        volts: asked.volts.iter().map(|x| v.voltage(*x)).collect(),
        rows,
        mean,
        remarks,
    }))
}

/// The pressure as wished or the usual one that was run, every voltage that was run.
fn asked(surfaces: &[(usize, InjectorSurface)], wanted: Option<f64>) -> Option<Asked> {
    let (_, first) = surfaces.first()?;
    let off = |value: f64, usual: f64| (value / usual).ln().abs();
    let nearest = |list: &[f64], usual: f64| {
        let mut sorted = list.to_vec();
        sorted.sort_by(|a, b| off(*a, usual).total_cmp(&off(*b, usual)));
        sorted.first().copied()
    };
    let mut volts: Vec<f64> = surfaces
        .iter()
        .flat_map(|(_, s)| s.voltages_v().to_vec())
        .collect();
    volts.sort_by(f64::total_cmp);
    volts.dedup_by(|a, b| (*a - *b).abs() < 0.05);
    Some(Asked {
        pressure: wanted.or_else(|| nearest(first.pressures_kpa(), USUAL_PRESSURE)),
        reference: nearest(&volts, USUAL_VOLTAGE),
        volts: if volts.is_empty() {
            vec![None]
        } else {
            volts.into_iter().map(Some).collect()
        },
    })
}

/// What one surface says.
struct Answer {
    flow: Option<Figure>,
    dead_times: Vec<Option<Figure>>,
}

impl Answer {
    fn of(surface: &InjectorSurface, asked: &Asked, remarks: &mut Vec<String>, v: Voice) -> Self {
        let query = |volts| Query {
            voltage_v: volts,
            pressure_kpa: asked.pressure,
            extrapolate: false,
        };
        let mut said = |error: &crate::surface::SurfaceError| {
            let words = v.sentence(&visible(&error.to_string()));
            if !remarks.contains(&words) {
                remarks.push(words);
            }
        };
        let flow = surface.slope(&query(asked.reference));
        if let Err(error) = &flow {
            said(error);
        }
        let mut dead_times = Vec::new();
        for volts in &asked.volts {
            let answer = surface.dead_time(&query(*volts));
            if let Err(error) = &answer {
                said(error);
            }
            dead_times.push(answer.ok());
        }
        Answer {
            flow: flow.ok(),
            dead_times,
        }
    }

    fn cells(&self, units: &Units, v: Voice) -> Vec<Cell> {
        let cell = |figure: &Option<Figure>| match figure {
            Some(figure) => units.dead_time(Some(&figure.estimate(Unit::Millisecond))),
            None => Cell::words(v.words.not_measured),
        };
        self.dead_times.iter().map(cell).collect()
    }
}

/// The mean of the set: one figure for controllers that take one for all.
fn mean(
    surfaces: &[(usize, InjectorSurface)],
    answers: &[Answer],
    units: &Units,
    (style, density): (&Style, Option<f64>),
) -> Result<Option<EnterRow>, ReportError> {
    let v = style.voice();
    let Some((_, first)) = surfaces.first().filter(|_| surfaces.len() > 1) else {
        return Ok(None);
    };
    let basis = first.basis;
    let flows: Option<Vec<Figure>> = answers.iter().map(|a| a.flow.clone()).collect();
    let flow = flows.and_then(|list| Figure::mean(&list));
    if flow.is_none() || surfaces.iter().any(|(_, s)| s.basis != basis) {
        return Ok(None);
    }
    let flow: Option<Estimate> = flow.map(|f| f.estimate(basis.flow_unit()));
    let dead_times = (0..first_len(answers))
        .map(|i| {
            let column: Option<Vec<Figure>> =
                answers.iter().map(|a| a.dead_times[i].clone()).collect();
            match column.and_then(|list| Figure::mean(&list)) {
                Some(mean) => units.dead_time(Some(&mean.estimate(Unit::Millisecond))),
                None => Cell::words(v.words.not_measured),
            }
        })
        .collect();
    Ok(Some(EnterRow {
        number: 0,
        name: v.words.mean_of_set.to_owned(),
        flow: units.flow(flow.as_ref(), basis, (style, density))?,
        dead_times,
    }))
}

fn first_len(answers: &[Answer]) -> usize {
    answers.first().map_or(0, |a| a.dead_times.len())
}
