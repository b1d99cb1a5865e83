//! Figures in every unit that can be chosen, and names that fit.

use crate::characterisation::SweepFit;
use crate::plots::{shortened, visible};
use crate::report::numbers::estimate;
use crate::report::{FlowScale, ReportError, Style, flow_scale};
use crate::units::{Basis, Estimate, FlowUnit};
use crate::words::Voice;

/// Names longer than this are cut in tables and headings; the whole id stands once.
const NAME: usize = 40;

/// A figure in each unit of its kind, that of the page first.
pub(super) struct Cell {
    /// Key of the unit and the figure in it.
    pub shown: Vec<(String, String)>,
}

impl Cell {
    /// The same words whatever the unit.
    pub fn words(text: impl Into<String>) -> Self {
        Cell {
            shown: vec![(String::new(), text.into())],
        }
    }
}

/// Units of flow that this document can be shown in.
pub(super) struct Units {
    /// Scales with their keys; that of the page first.
    flow: Vec<(String, FlowScale)>,
    basis: Option<Basis>,
    v: Voice,
}

/// Dead time: factor from ms and the unit's word.
const TIMES: [(f64, &str); 2] = [(1.0, "ms"), (1000.0, "µs")];

impl Units {
    /// The unit of `style` and every other that needs nothing that is not stated.
    ///
    /// # Errors
    /// [`ReportError`] where the unit of `style` needs a density that is not stated.
    pub fn of(
        sweeps: &[&SweepFit],
        style: &Style,
        density: Option<f64>,
    ) -> Result<Self, ReportError> {
        let v = style.voice();
        let first = sweeps.first().map(|s| s.basis);
        // Volumes and masses in one document have no unit in common.
        let basis = first.filter(|b| sweeps.iter().all(|s| s.basis == *b));
        let mut scales: Vec<FlowScale> = Vec::new();
        if let Some(basis) = basis {
            let first = flow_scale(basis, style.flow_unit, density)?;
            scales.push(first);
            for (_, unit) in FlowUnit::ALL {
                let scale = flow_scale(basis, Some(unit), density);
                scales.extend(scale.into_iter().filter(|s| s.unit != first.unit));
            }
        }
        let flow = scales
            .into_iter()
            .enumerate()
            .map(|(i, scale)| (format!("f{i}"), scale))
            .collect();
        Ok(Units { flow, basis, v })
    }

    /// Keys and words of the units of flow; one alone cannot be chosen.
    pub fn flow_choices(&self) -> Vec<(String, &'static str)> {
        let word = |(key, scale): &(String, FlowScale)| (key.clone(), scale.unit.unit().sign());
        self.flow.iter().map(word).collect()
    }

    /// Keys and words of the units of dead time.
    pub fn time_choices() -> Vec<(String, &'static str)> {
        let word = |(i, (_, word)): (usize, &(f64, &'static str))| (format!("t{i}"), *word);
        TIMES.iter().enumerate().map(word).collect()
    }

    /// The density that some of the units need, g/mL.
    pub fn density(&self) -> Option<f64> {
        self.flow.iter().find_map(|(_, scale)| scale.density)
    }

    /// A flow with its doubt and unit.
    ///
    /// # Errors
    /// [`ReportError`] where a document of volumes and masses is asked for one unit
    /// that needs a density that is not stated.
    pub fn flow(
        &self,
        slope: Option<&Estimate>,
        basis: Basis,
        (style, density): (&Style, Option<f64>),
    ) -> Result<Cell, ReportError> {
        if self.basis != Some(basis) {
            let scale = flow_scale(basis, style.flow_unit, density)?;
            let figure = dressed(&estimate(slope, scale.factor, self.v));
            return Ok(Cell::words(format!(
                "{figure} {}",
                scale.unit.unit().sign()
            )));
        }
        let figure = |(key, scale): &(String, FlowScale)| {
            let figure = dressed(&estimate(slope, scale.factor, self.v));
            let unit = if slope.is_some() {
                scale.unit.unit().sign()
            } else {
                ""
            };
            (
                key.clone(),
                format!("{figure} {unit}").trim_end().to_owned(),
            )
        };
        Ok(Cell {
            shown: self.flow.iter().map(figure).collect(),
        })
    }

    /// A dead time with its doubt, without its unit.
    pub fn dead_time(&self, dead_time: Option<&Estimate>) -> Cell {
        let figure = |(i, (factor, _)): (usize, &(f64, &str))| {
            let figure = dressed(&estimate(dead_time, *factor, self.v));
            (format!("t{i}"), figure)
        };
        Cell {
            shown: TIMES.iter().enumerate().map(figure).collect(),
        }
    }

    /// The unit of dead times, after `name`.
    pub fn time_unit(name: &str) -> Cell {
        let unit =
            |(i, (_, word)): (usize, &(f64, &str))| (format!("t{i}"), format!("{name}, {word}"));
        Cell {
            shown: TIMES.iter().enumerate().map(unit).collect(),
        }
    }
}

/// A figure with true minus signs; a pair of unequal sides on one line.
pub(super) fn dressed(figure: &str) -> String {
    let minus = figure.replace(" -", " \u{2212}");
    match minus.strip_prefix('-') {
        Some(rest) => format!("\u{2212}{rest}"),
        None => minus,
    }
}

/// An id as tables and headings show it.
pub(super) fn name(id: &str) -> String {
    shortened(&visible(id), NAME)
}
