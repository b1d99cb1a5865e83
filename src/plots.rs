//! Pictures of a characterisation, as SVG text.
//!
//! In: a [`Characterisation`] and nothing else. Out: [`Picture`]s with a title, a
//! text alternative and a safe file name. It scales and places what the file
//! holds; it must not fit, draw a number that is not finite, or use the
//! machine's fonts.

mod canvas;
mod colour;
mod dead_time;
mod delivery;
mod deviations;
mod frame;
mod linearity;
mod text;
mod trade;

use std::collections::HashSet;

use crate::characterisation::SweepFit;
use crate::characterisation::{Characterisation, Injector};

pub use dead_time::dead_times;
pub use delivery::deliveries;
pub use deviations::deviations;
pub use linearity::linearities;
pub use text::visible;
pub(crate) use text::{columns, plain, shortened, voltage};
pub use trade::{TradeSeries, doubt_against_time};

/// One picture, ready to be written to a file or set into a report.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Picture {
    /// File name without folder and ending; letters, digits, `-`, `_` and `.` only.
    pub file_stem: String,
    /// What is seen, on one line. Plain text: escape it before setting it into HTML.
    pub title: String,
    /// The text alternative: what the picture shows, in sentences. Plain text.
    pub alt: String,
    /// The picture: one `svg` element with `title`, `desc` and `role="img"`.
    pub svg: String,
}

/// Draws every picture that the file has figures for, with file names that differ.
///
/// Order: the set's deviations, dead time against voltage, then for each
/// injector delivery and linearity by stage and pressure. Names differ in more
/// than letter case, for file systems that do not tell it.
pub fn pictures(document: &Characterisation) -> Vec<Picture> {
    let mut all: Vec<Picture> = deviations(document).into_iter().collect();
    all.extend(dead_times(document));
    for injector in &document.injectors {
        all.extend(deliveries(injector));
        all.extend(linearities(injector));
    }
    let mut taken = HashSet::new();
    for picture in &mut all {
        let stem = picture.file_stem.clone();
        let mut count = 1;
        while !taken.insert(picture.file_stem.to_lowercase()) {
            count += 1;
            picture.file_stem = format!("{stem}-{count}");
        }
    }
    all
}

/// The sweeps of one injector that share stage and pressure, by rising voltage.
struct Group<'a> {
    stage: Option<&'a str>,
    pressure_kpa: Option<f64>,
    sweeps: Vec<&'a SweepFit>,
}

impl Group<'_> {
    /// Pressure and stage in words, as `300 kPa, cleaned`.
    fn condition(&self) -> String {
        text::condition(self.stage, self.pressure_kpa)
    }

    /// A file name from a picture's kind, an injector and the condition.
    fn stem(&self, kind: &str, injector: &str) -> String {
        let pressure = self
            .pressure_kpa
            .map(|kpa| format!("{}kPa", text::plain(kpa)));
        let parts = [Some(kind), Some(injector), pressure.as_deref(), self.stage];
        text::file_stem(&parts.into_iter().flatten().collect::<Vec<_>>())
    }

    /// A label for each sweep: its voltage, and its file where the voltage says too little.
    fn labels(&self) -> Vec<String> {
        let volts: Vec<String> = self
            .sweeps
            .iter()
            .map(|sweep| text::voltage(sweep.voltage_v))
            .collect();
        let twice = |label: &String| volts.iter().filter(|other| *other == label).count() > 1;
        volts
            .iter()
            .zip(&self.sweeps)
            .map(|(label, sweep)| {
                if twice(label) {
                    format!("{label}, {}", visible(&sweep.source))
                } else {
                    label.clone()
                }
            })
            .collect()
    }
}

/// Sorts an injector's sweeps into groups, in the order of the file.
fn groups(injector: &Injector) -> Vec<Group<'_>> {
    let mut groups: Vec<Group<'_>> = Vec::new();
    for sweep in &injector.sweeps {
        let stage = sweep.stage.as_deref();
        match groups
            .iter_mut()
            .find(|g| g.stage == stage && g.pressure_kpa == sweep.pressure_kpa)
        {
            Some(group) => group.sweeps.push(sweep),
            None => groups.push(Group {
                stage,
                pressure_kpa: sweep.pressure_kpa,
                sweeps: vec![sweep],
            }),
        }
    }
    for group in &mut groups {
        group.sweeps.sort_by(|a, b| {
            let volts = |s: &SweepFit| s.voltage_v.unwrap_or(f64::NEG_INFINITY);
            volts(a).total_cmp(&volts(b))
        });
    }
    groups
}
