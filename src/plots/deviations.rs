//! The set at a glance: each injector's deviation at each operating point.

use super::Picture;
use super::canvas::{Align, Canvas, Caption, Group, Type, body, picture};
use super::colour::{self, GRID, QUIET, RULE, SHADE};
use super::frame::{Panel, Span, WIDTH, heading, mark, whisker};
use super::text::{fitted, shortened, visible};
use crate::characterisation::Characterisation;
use crate::characterisation::{Deviation, OperatingPoint, SetMatch};
use crate::units::rounded_pair;
use crate::words::{Voice, fill};

const TOP: f64 = 76.0;
/// Height of one injector's row, and of the space above a panel for its name.
const ROW: f64 = 21.0;
const NAME: f64 = 30.0;
/// Left edge leaves room for ids, right edge for figures in words.
const ACROSS: [f64; 2] = [170.0, 650.0];
/// What the numbers on the right are called, above the column.
const FIGURES_X: f64 = 666.0;

/// Deviation of each injector from the set mean at each operating point, with
/// 95 % intervals and the tolerance as a band. `None` where no set was scored.
///
/// The tolerance limits the distance from the lowest to the highest injector, so
/// the band is that wide and stands midway between those two.
pub fn deviations(document: &Characterisation, v: Voice) -> Option<Picture> {
    let set = document.set_match.as_ref()?;
    let panels: Vec<(&OperatingPoint, Vec<&Deviation>)> = set
        .operating_points
        .iter()
        .map(|point| {
            let here = set
                .deviations
                .iter()
                .filter(|d| d.operating_point == point.label);
            (point, here.collect::<Vec<_>>())
        })
        .filter(|(_, here)| !here.is_empty())
        .collect();
    let x = span(set, &panels)?;
    let title = v.words.deviations_title.to_owned();
    let under = tolerance_words(set, v);
    let caption = Caption {
        file_stem: "set-deviations".to_owned(),
        title: title.clone(),
        alt: alternative(&panels, &under, v),
    };
    let rows: usize = panels.iter().map(|(_, here)| here.len()).sum();
    let height = TOP + rows as f64 * ROW + panels.len() as f64 * (NAME + 8.0) + 58.0;
    let number = |id: &str| document.injectors.iter().position(|i| i.id == id);
    Some(picture(caption, (WIDTH, height), v, |canvas| {
        heading(canvas, &title, &under);
        let mut top = TOP;
        for (i, (point, here)) in panels.iter().enumerate() {
            let bottom = top + NAME + here.len() as f64 * ROW;
            let panel = Panel {
                x,
                y: Span {
                    lo: 0.0,
                    hi: here.len() as f64,
                },
                across: ACROSS,
                down: [top + NAME, bottom],
            };
            one_point(canvas, &panel, set, (point, here), i == 0, &number);
            if i + 1 == panels.len() {
                feet(canvas, &panel);
            }
            top = bottom + 8.0;
        }
    }))
}

/// What the horizontal axis has to show: intervals, zero and the bands.
fn span(set: &SetMatch, panels: &[(&OperatingPoint, Vec<&Deviation>)]) -> Option<Span> {
    let bounds = panels.iter().flat_map(|(_, here)| {
        let band = band(set, here).unwrap_or_default();
        here.iter()
            .flat_map(|d| [Some(d.percent), d.interval_95[0], d.interval_95[1]])
            .flatten()
            .chain(band)
    });
    Some(Span::of(bounds)?.with_zero().padded(0.06))
}

/// The tolerance, midway between the lowest and the highest injector.
fn band(set: &SetMatch, here: &[&Deviation]) -> Option<[f64; 2]> {
    let extremes = Span::of(here.iter().map(|d| d.percent))?;
    let (middle, half) = (
        (extremes.lo + extremes.hi) / 2.0,
        set.tolerance_percent? / 2.0,
    );
    Some([middle - half, middle + half])
}

fn one_point(
    canvas: &Canvas<'_>,
    panel: &Panel,
    set: &SetMatch,
    (point, here): (&OperatingPoint, &[&Deviation]),
    first: bool,
    number: &dyn Fn(&str) -> Option<usize>,
) {
    let v = canvas.voice;
    let [top, bottom] = panel.down;
    if let Some([lo, hi]) = band(set, here) {
        let column = |v: f64| panel.at(v, 0.0).0;
        canvas.rectangle((column(lo), top), (column(hi), bottom), SHADE);
        for edge in [lo, hi] {
            canvas.line(&[(column(edge), top), (column(edge), bottom)], 0.5, QUIET);
        }
    }
    panel.x_ticks(canvas, false);
    let zero = panel.at(0.0, 0.0).0;
    canvas.line(&[(zero, top), (zero, bottom)], 1.0, RULE);
    let bold = Type {
        bold: true,
        ..body(Align::Left)
    };
    canvas.text(
        (16.0, top - 12.0),
        &fitted(&point_label(point, v), 560.0, 13.4),
        bold,
    );
    if first {
        let quiet = Type {
            colour: QUIET,
            ..body(Align::Left)
        };
        canvas.text((FIGURES_X, top - 12.0), v.words.percent_of_mean, quiet);
    }
    for (i, deviation) in here.iter().enumerate() {
        let row = top + (i as f64 + 0.5) * ROW;
        canvas.line(&[(panel.across[0], row), (panel.across[1], row)], 0.5, GRID);
        let group = Group {
            injector: number(&deviation.injector),
            says: fill(
                v.words.deviation_point,
                &[
                    &shortened(&visible(&deviation.injector), 30),
                    &point_label(point, v),
                    &figure(deviation, v),
                ],
            ),
        };
        canvas.group(group, |canvas| {
            one_injector(canvas, panel, deviation, row, i)
        });
    }
}

fn one_injector(canvas: &Canvas<'_>, panel: &Panel, deviation: &Deviation, row: f64, index: usize) {
    let colour = colour::series(index);
    let id = fitted(&visible(&deviation.injector), ACROSS[0] - 20.0, 12.0);
    canvas.text((panel.across[0] - 10.0, row), &id, body(Align::Right));
    let ends = [0, 1].map(|side| match deviation.interval_95[side] {
        Some(v) => (panel.at(v, 0.0).0, false),
        None => (panel.across[side], true),
    });
    let path: Vec<_> = whisker(ends, 6.0)
        .into_iter()
        .map(|(column, aside)| (column, row + aside))
        .collect();
    canvas.line(&path, 1.0, colour);
    mark(
        canvas,
        (panel.at(deviation.percent, 0.0).0, row),
        index,
        colour,
    );
    canvas.text(
        (FIGURES_X, row),
        &figure(deviation, canvas.voice),
        body(Align::Left),
    );
}

/// Deviation and half its interval in percent, as `+0.42 ± 0.31`.
fn figure(deviation: &Deviation, v: Voice) -> String {
    let half = match deviation.interval_95 {
        [Some(lo), Some(hi)] => Some((hi - lo) / 2.0),
        _ => None,
    };
    let (value, doubt) = rounded_pair(deviation.percent, half, 2);
    match doubt {
        Some(doubt) => {
            let places = doubt.split_once('.').map_or(0, |(_, tail)| tail.len());
            format!(
                "{} ± {}",
                v.signed(deviation.percent, places, true),
                v.figure(&doubt)
            )
        }
        None => format!("{}, {}", v.figure(&value), v.words.not_bounded),
    }
}

/// Tick labels and the name of the axis with its two directions.
fn feet(canvas: &Canvas<'_>, panel: &Panel) {
    panel.x_ticks(canvas, true);
    let row = panel.down[1] + 36.0;
    let [left, right] = panel.across;
    canvas.text(
        ((left + right) / 2.0, row),
        canvas.voice.words.deviation_axis,
        body(Align::Middle),
    );
    let quiet = |align| Type {
        colour: QUIET,
        ..body(align)
    };
    canvas.text(
        (left, row),
        canvas.voice.words.leaner_arrow,
        quiet(Align::Left),
    );
    canvas.text(
        (right, row),
        canvas.voice.words.richer_arrow,
        quiet(Align::Right),
    );
}

/// Pulse width, voltage and pressure of an operating point.
pub(crate) fn point_label(point: &OperatingPoint, v: Voice) -> String {
    let mut label = format!("{} ms", v.plain(point.pulse_width_ms));
    if let Some(volts) = point.voltage_v {
        label.push_str(&format!(", {} V", v.plain(volts)));
    }
    if point.pressure_kpa.is_some() {
        label.push_str(&format!(", {}", v.pressure(point.pressure_kpa)));
    }
    label
}

fn tolerance_words(set: &SetMatch, v: Voice) -> String {
    let stage = set
        .stage
        .as_deref()
        .map(|stage| format!("{}. ", shortened(&visible(stage), 24)))
        .unwrap_or_default();
    match set.tolerance_percent {
        Some(percent) => stage + &fill(v.words.bars_and_tolerance, &[&v.plain(percent)]),
        None => stage + v.words.bars_no_tolerance,
    }
}

fn alternative(panels: &[(&OperatingPoint, Vec<&Deviation>)], under: &str, v: Voice) -> String {
    let mut said = format!("{} {under}", v.words.deviations_alt);
    for (point, here) in panels {
        let list: Vec<_> = here
            .iter()
            .map(|d| format!("{} {}", visible(&d.injector), figure(d, v)))
            .collect();
        said.push_str(&format!(" {}: {}.", point_label(point, v), list.join(", ")));
    }
    said
}
