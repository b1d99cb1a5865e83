//! Dead time against voltage, one series for each injector and pressure.

use plotters::style::RGBColor;

use super::canvas::{self, Align, Canvas, Caption, body, picture};
use super::colour;
use super::frame::{Legend, PLOT_X, Panel, Span, WIDTH, heading, legend_bottom, mark, mark_sized};
use super::text::{condition, file_stem, plain, shortened, visible};
use super::{Group, Picture, groups};
use crate::characterisation::Characterisation;
use crate::units::{Estimate, Interval};
use crate::words::{Voice, fill};

const TOP: f64 = 84.0;
/// A picture holds at most so many series.
const CROWDED: usize = 8;

/// Dead times of one injector at one stage and pressure, by voltage.
struct Series<'a> {
    injector: String,
    /// Its number in the file, from 0.
    number: usize,
    stage: Option<&'a str>,
    pressure_kpa: Option<f64>,
    /// Volts, dead time in ms, its 95 % interval.
    values: Vec<(f64, f64, Interval)>,
}

impl<'a> Series<'a> {
    fn of(number: usize, injector: &str, group: &Group<'a>) -> Self {
        let value = |volts: Option<f64>, x: &Option<Estimate>| {
            let x = x.as_ref()?;
            Some((volts?, x.value, x.interval_95))
        };
        Series {
            injector: visible(injector),
            number,
            stage: group.stage,
            pressure_kpa: group.pressure_kpa,
            values: group
                .sweeps
                .iter()
                .filter_map(|s| value(s.voltage_v, &s.dead_time))
                .collect(),
        }
    }
}

/// Dead time against supply voltage with 95 % intervals: a picture for each
/// stage; where it would be crowded one for each pressure and eight injectors,
/// all on the same axes.
///
/// Injectors at one voltage stand beside each other so that their intervals can
/// be told apart. Sweeps without a stated voltage are not drawn.
pub fn dead_times(document: &Characterisation, v: Voice) -> Vec<Picture> {
    let mut all: Vec<Series<'_>> = Vec::new();
    for (number, injector) in document.injectors.iter().enumerate() {
        let found = groups(injector);
        all.extend(
            found
                .iter()
                .map(|group| Series::of(number, &injector.id, group)),
        );
    }
    all.retain(|series| !series.values.is_empty());
    let mut pictures = Vec::new();
    for stage in in_order(all.iter().map(|s| s.stage)) {
        let of_stage: Vec<_> = all.iter().filter(|s| s.stage == stage).collect();
        let pressures = in_order(of_stage.iter().map(|s| s.pressure_kpa));
        if pressures.len() > 1 && of_stage.len() <= CROWDED {
            pictures.extend(dead_time(&of_stage, &of_stage, true, v));
            continue;
        }
        for pressure in pressures {
            let here: Vec<_> = of_stage
                .iter()
                .filter(|s| s.pressure_kpa == pressure)
                .copied()
                .collect();
            for some in here.chunks(CROWDED) {
                pictures.extend(dead_time(some, &here, false, v));
            }
        }
    }
    pictures
}

fn in_order<T: PartialEq>(values: impl Iterator<Item = T>) -> Vec<T> {
    let mut seen = Vec::new();
    for value in values {
        if !seen.contains(&value) {
            seen.push(value);
        }
    }
    seen
}

/// Draws some series on axes that fit all of them.
fn dead_time(
    series: &[&Series<'_>],
    all: &[&Series<'_>],
    pressures: bool,
    v: Voice,
) -> Option<Picture> {
    let first = series.first()?;
    let values = || all.iter().flat_map(|s| &s.values);
    let x = Span::of(values().map(|v| v.0))?;
    let y = Span::of(values().flat_map(|v| [Some(v.1), v.2[0], v.2[1]]).flatten())?;
    let under = if pressures {
        first
            .stage
            .map_or_else(|| v.words.several_pressures.to_owned(), visible)
    } else {
        condition(first.stage, first.pressure_kpa, v)
    };
    let title = v.words.dead_times_title.to_owned();
    let pressure = first
        .pressure_kpa
        .filter(|_| !pressures)
        .map(|kpa| format!("{}kPa", plain(kpa)));
    let parts = [Some("dead-time"), pressure.as_deref(), first.stage];
    let caption = Caption {
        file_stem: file_stem(&parts.into_iter().flatten().collect::<Vec<_>>()),
        title: title.clone(),
        alt: alternative(series, &under, pressures, v),
    };
    let open = values().any(|v| v.2.contains(&None));
    let rows = series.len() * if pressures { 2 } else { 1 } + if open { 2 } else { 0 };
    let height = (legend_bottom(TOP, rows, 1) + 10.0).max(460.0);
    let panel = Panel {
        x: x.padded(0.1),
        y: y.padded(0.06),
        across: PLOT_X,
        down: [TOP, height - 54.0],
    };
    Some(picture(caption, (WIDTH, height), v, |canvas| {
        heading(canvas, &title, &under);
        panel.axes(canvas, 7, true);
        panel.x_name(canvas, v.words.voltage_axis);
        canvas.text(
            (16.0, TOP - 18.0),
            v.words.dead_time_axis,
            body(Align::Left),
        );
        let step = beside(&panel, series);
        // Crowded marks shrink so that neighbours stay apart.
        let size = (0.5 * step).clamp(2.5, 4.5);
        let mut legend = Legend::new(canvas, TOP, v.words.injector);
        for (i, one) in series.iter().enumerate() {
            let shift = (i as f64 - (series.len() - 1) as f64 / 2.0) * step;
            let group = || canvas::Group {
                injector: Some(one.number),
                ..canvas::Group::default()
            };
            canvas.group(group(), |canvas| {
                draw(canvas, &panel, one, (shift, size), i, colour::series(i));
            });
            canvas.group(group(), |canvas| {
                legend.entry(&one.injector, |at| mark(canvas, at, i, colour::series(i)));
            });
            if pressures {
                legend.words(&condition(None, one.pressure_kpa, v));
            }
        }
        if open {
            legend.gap();
            legend.entry(v.words.arrow_not_bounded, |(x, y)| {
                let tip = [(x - 3.0, y + 1.0), (x, y + 7.0), (x + 3.0, y + 1.0)];
                canvas.line(&[(x, y - 7.0), (x, y + 7.0)], 1.0, colour::QUIET);
                canvas.line(&tip, 1.0, colour::QUIET);
            });
            legend.words(v.words.on_this_side);
        }
    }))
}

/// Pixels between neighbours at one voltage: all fit into 0.7 of the least gap.
fn beside(panel: &Panel, series: &[&Series<'_>]) -> f64 {
    let mut volts: Vec<f64> = series.iter().flat_map(|s| &s.values).map(|v| v.0).collect();
    volts.sort_by(f64::total_cmp);
    let pixels = |gap: f64| panel.at(panel.x.lo + gap, 0.0).0 - panel.across[0];
    let gap = volts
        .windows(2)
        .map(|pair| pixels(pair[1] - pair[0]))
        .filter(|gap| *gap > 0.5)
        .fold(panel.across[1] - panel.across[0], f64::min);
    (0.7 * gap / series.len() as f64).min(16.0)
}

fn draw(
    canvas: &Canvas<'_>,
    panel: &Panel,
    series: &Series<'_>,
    (shift, size): (f64, f64),
    index: usize,
    colour: RGBColor,
) {
    let place = |volts: f64, ms: f64| {
        let (column, row) = panel.at(volts, ms);
        (column + shift, row)
    };
    let path: Vec<_> = series.values.iter().map(|v| place(v.0, v.1)).collect();
    canvas.line(&path, 0.5, colour);
    for (volts, ms, interval) in &series.values {
        let at = place(*volts, *ms);
        let says = point_words(
            &shortened(&series.injector, 30),
            (*volts, series.pressure_kpa),
            *ms,
            *interval,
            canvas.voice,
        );
        let group = canvas::Group {
            injector: None,
            says,
        };
        canvas.group(group, |canvas| {
            panel.interval(canvas, at.0, *interval, colour);
            mark_sized(canvas, at, index, colour, size);
        });
    }
}

/// One dead time with its interval, for whoever points at it.
pub(super) fn point_words(
    injector: &str,
    (volts, kpa): (f64, Option<f64>),
    ms: f64,
    interval: Interval,
    v: Voice,
) -> String {
    let limits = limits(interval, v);
    let condition = format!("{} V, {}", v.plain(volts), v.pressure(kpa));
    let value = format!("{} ms ({limits})", v.plain(ms));
    fill(v.words.dead_time_point, &[injector, &condition, &value])
}

fn limits(interval: Interval, v: Voice) -> String {
    match interval {
        [Some(lo), Some(hi)] => fill(v.words.from_to, &[&v.plain(lo), &v.plain(hi)]),
        _ => v.words.not_bounded_both.to_owned(),
    }
}

fn alternative(series: &[&Series<'_>], under: &str, pressures: bool, v: Voice) -> String {
    let mut said = fill(v.words.dead_times_alt, &[under]);
    for one in series {
        let values: Vec<_> = one
            .values
            .iter()
            .map(|(volts, ms, interval)| {
                let limits = limits(*interval, v);
                format!("{} V {} ({limits})", v.plain(*volts), v.plain(*ms))
            })
            .collect();
        let pressure = if pressures {
            format!(", {}", condition(None, one.pressure_kpa, v))
        } else {
            String::new()
        };
        let name = &one.injector;
        said.push_str(&format!(" {name}{pressure}: {}.", values.join(", ")));
    }
    said
}
