//! One part for each injector: figures, pictures.

use rayon::prelude::*;

use super::cells::{Cell, Units, dressed, name};
use crate::characterisation::{Characterisation, Injector, SweepFit};
use crate::plots::{self, Picture, visible};
use crate::report::background::condition_words;
use crate::report::notes::Note;
use crate::report::numbers::{estimate, range};
use crate::report::{ReportError, Style};
use crate::words::Voice;

/// One injector.
pub(super) struct InjectorPart {
    /// Number in the file, from 0.
    pub number: usize,
    pub name: String,
    /// The whole id, where the name is cut.
    pub whole: Option<String>,
    pub rows: Vec<SweepRow>,
    pub pictures: Vec<Picture>,
}

/// One sweep.
pub(super) struct SweepRow {
    pub condition: String,
    pub line_range: String,
    pub flow: Cell,
    pub dead_time: Cell,
    pub linear_range: String,
    pub repeatability: String,
    /// Numbers of the notes that concern it.
    pub notes: Vec<usize>,
}

/// Every injector of the file.
///
/// # Errors
/// [`ReportError`] where the unit of flow needs a density that is not stated.
pub(super) fn injectors(
    document: &Characterisation,
    notes: &[Note],
    units: &Units,
    scale: (&Style, Option<f64>),
) -> Result<Vec<InjectorPart>, ReportError> {
    let v = scale.0.voice();
    let part = |(number, injector): (usize, &Injector)| {
        let short = name(&injector.id);
        let whole = visible(&injector.id);
        let rows: Result<Vec<SweepRow>, ReportError> = injector
            .sweeps
            .iter()
            .map(|sweep| row(injector, sweep, notes, units, scale))
            .collect();
        let mut pictures: Vec<Picture> = plots::overview(injector, v).into_iter().collect();
        pictures.extend(plots::budgets(injector, v));
        Ok(InjectorPart {
            number,
            whole: (whole != short).then_some(whole),
            name: short,
            rows: rows?,
            pictures,
        })
    };
    document
        .injectors
        .par_iter()
        .with_max_len(1)
        .enumerate()
        .map(part)
        .collect()
}

fn row(
    injector: &Injector,
    sweep: &SweepFit,
    notes: &[Note],
    units: &Units,
    (style, density): (&Style, Option<f64>),
) -> Result<SweepRow, ReportError> {
    let v = style.voice();
    let place = sweep.place(&injector.id);
    let again = |s: &&SweepFit| same(s, sweep);
    let mut condition = condition_words(sweep, v);
    if injector.sweeps.iter().filter(again).count() > 1 {
        condition = format!("{condition} ({})", visible(&sweep.source));
    }
    Ok(SweepRow {
        condition,
        line_range: range(sweep.line_range_ms, v),
        flow: units.flow(sweep.slope.as_ref(), sweep.basis, (style, density))?,
        dead_time: units.dead_time(sweep.dead_time.as_ref()),
        linear_range: range(sweep.linear_flow_range_ms, v),
        repeatability: repeatability(sweep, v),
        notes: notes
            .iter()
            .filter(|n| n.concerns(&place))
            .map(|n| n.number)
            .collect(),
    })
}

fn same(a: &SweepFit, b: &SweepFit) -> bool {
    (a.stage.as_deref(), a.voltage_v, a.pressure_kpa)
        == (b.stage.as_deref(), b.voltage_v, b.pressure_kpa)
}

fn repeatability(sweep: &SweepFit, v: Voice) -> String {
    dressed(&estimate(
        sweep.scatter.repeatability_percent.as_ref(),
        1.0,
        v,
    ))
}
