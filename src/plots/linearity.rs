//! Linearity deviation against pulse width: one strip for each voltage.

use plotters::style::RGBColor;

use super::canvas::{self, Align, Canvas, Caption, Type, body, picture};
use super::colour::{self, QUIET, RULE};
use super::frame::{Legend, PLOT_X, Panel, Span, WIDTH, cross, heading, legend_bottom};
use super::text::{fitted, shortened, visible};
use super::{Group, Picture, groups};
use crate::characterisation::Injector;
use crate::characterisation::SweepFit;
use crate::words::{Voice, fill};

const TOP: f64 = 88.0;
/// Height of a strip and of the space between two.
const STRIP: f64 = 112.0;
const BETWEEN: f64 = 26.0;
/// More intervals than this are drawn as a band instead of bars.
const BARS: usize = 14;

/// Linearity deviation in percent of the line against pulse width of one
/// injector: a picture for each stage and pressure with a strip for each voltage.
///
/// The axis reaches what the line range needs and the limit of the linear flow
/// range; what lies beyond is drawn as an arrow at the edge. Deviations at or below the dead
/// time do not exist and are not drawn.
pub fn linearities(injector: &Injector, v: Voice) -> Vec<Picture> {
    groups(injector)
        .iter()
        .filter_map(|group| linearity(injector, group, v))
        .collect()
}

fn linearity(injector: &Injector, group: &Group<'_>, v: Voice) -> Option<Picture> {
    let reach = reach(&group.sweeps)?;
    let x = Span::of(
        group
            .sweeps
            .iter()
            .flat_map(|s| s.linearity_deviation.iter().map(|d| d.pulse_width_ms)),
    )?;
    let id = visible(&injector.id);
    let title = fill(v.words.linearity_title, &[&shortened(&id, 30)]);
    let caption = Caption {
        file_stem: group.stem("linearity", &injector.id),
        title: title.clone(),
        alt: alternative(&id, group, v),
    };
    let count = group.sweeps.len();
    let strips = count as f64 * (STRIP + BETWEEN) - BETWEEN;
    let height = (TOP + strips + 54.0).max(legend_bottom(TOP, 7, 0) + 10.0);
    Some(picture(caption, (WIDTH, height), v, |canvas| {
        heading(canvas, &title, &group.condition(v));
        let labels = group.labels(v);
        // The highest voltage on top, as in the picture of the delivered quantity.
        for (row, i) in (0..count).rev().enumerate() {
            let top = TOP + row as f64 * (STRIP + BETWEEN);
            let panel = Panel {
                x: Span {
                    lo: 0.0,
                    hi: x.hi * 1.03,
                },
                y: Span {
                    lo: -reach,
                    hi: reach,
                },
                across: PLOT_X,
                down: [top, top + STRIP],
            };
            let name = fill(v.words.deviation_of_line_axis, &[&labels[i]]);
            let bold = Type {
                bold: true,
                ..body(Align::Left)
            };
            canvas.text((PLOT_X[0], top - 11.0), &fitted(&name, 530.0, 13.4), bold);
            strip(canvas, &panel, group.sweeps[i], colour::ramp(i, count));
            panel.grid_labels(canvas, 4);
            if row + 1 == count {
                panel.x_ticks(canvas, true);
                panel.x_name(canvas, v.words.width_axis);
            }
        }
        legend(canvas, group, reach);
    }))
}

/// How far the vertical axis goes to either side, percent.
pub(super) fn reach(sweeps: &[&SweepFit]) -> Option<f64> {
    let limit = sweeps
        .iter()
        .map(|s| s.linearity_limit_percent)
        .fold(0.0, f64::max);
    let values = sweeps.iter().flat_map(|sweep| {
        let bounds = sweep
            .linearity_deviation
            .iter()
            .flat_map(|d| [d.percent, d.interval_95[0], d.interval_95[1]]);
        let readings = sweep.points.iter().map(|p| p.deviation_percent);
        bounds.chain(readings).flatten().map(f64::abs)
    });
    let farthest = Span::of(values)?.hi;
    let inside = sweeps.iter().flat_map(|sweep| {
        let [lo, hi] = sweep.line_range_ms.unwrap_or([0.0, f64::INFINITY]);
        let here = move |w: f64| (lo..=hi).contains(&w);
        let bounds = sweep.linearity_deviation.iter();
        bounds
            .filter(move |d| here(d.pulse_width_ms))
            .flat_map(|d| [d.percent, d.interval_95[0], d.interval_95[1]])
            .flatten()
            .map(f64::abs)
    });
    // Short pulses far off the line would flatten everything else; a perfectly
    // straight set still gets an axis.
    let ceiling = Span::of(inside).map_or(farthest, |span| 1.5 * span.hi);
    Some((1.1 * farthest).min(ceiling.max(1.2 * limit)).max(0.1))
}

/// The deviations of one sweep with their grid; labels of it are the caller's.
pub(super) fn strip(canvas: &Canvas<'_>, panel: &Panel, sweep: &SweepFit, colour: RGBColor) {
    panel.x_ticks(canvas, false);
    panel.grid(canvas, 4, false);
    let level = |y: f64, width: f64, colour: RGBColor| {
        if panel.holds(panel.x.lo, y) {
            canvas.line(
                &[panel.at(panel.x.lo, y), panel.at(panel.x.hi, y)],
                width,
                colour,
            );
        }
    };
    level(0.0, 1.0, QUIET);
    level(sweep.linearity_limit_percent, 0.5, RULE);
    level(-sweep.linearity_limit_percent, 0.5, RULE);
    if let Some([lo, hi]) = sweep.line_range_ms {
        // The line range as a bar along the foot of the strip.
        let foot = panel.down[1];
        let column = |w: f64| panel.at(w, 0.0).0;
        canvas.rectangle((column(lo), foot - 1.5), (column(hi), foot + 1.5), QUIET);
    }
    curve(canvas, panel, sweep, colour);
    for point in &sweep.points {
        let Some(percent) = point.deviation_percent else {
            continue;
        };
        let Some(at) = within(canvas, panel, point.pulse_width_ms, percent, QUIET) else {
            continue;
        };
        if point.used {
            canvas.circle(at, 2.5, QUIET, true);
        } else {
            cross(canvas, at, QUIET);
        }
    }
}

/// The place of a value, or an arrow at the edge and nothing else.
fn within(
    canvas: &Canvas<'_>,
    panel: &Panel,
    x: f64,
    y: f64,
    colour: RGBColor,
) -> Option<(f64, f64)> {
    if panel.holds(x, y) {
        return Some(panel.at(x, y));
    }
    let up = y > panel.y.hi;
    let (column, row) = panel.at(x, if up { panel.y.hi } else { panel.y.lo });
    let back = if up { 8.0 } else { -8.0 };
    canvas.shape(
        &[
            (column - 4.5, row + back),
            (column, row),
            (column + 4.5, row + back),
        ],
        colour,
        1.0,
    );
    None
}

fn curve(canvas: &Canvas<'_>, panel: &Panel, sweep: &SweepFit, colour: RGBColor) {
    let known: Vec<_> = sweep
        .linearity_deviation
        .iter()
        .filter_map(|d| Some((d.pulse_width_ms, d.percent?, d.interval_95)))
        .collect();
    let many = known.len() > BARS;
    let clamp = |y: f64| y.clamp(panel.y.lo, panel.y.hi);
    if many {
        let side = |i: usize| {
            known
                .iter()
                .filter_map(move |(w, _, interval)| Some(panel.at(*w, clamp(interval[i]?))))
        };
        let mut corners: Vec<_> = side(1).collect();
        corners.extend(side(0).collect::<Vec<_>>().into_iter().rev());
        canvas.shape(&corners, colour, 0.2);
    }
    let inside: Vec<_> = known
        .iter()
        .filter(|(w, y, _)| panel.holds(*w, *y))
        .map(|(w, y, _)| panel.at(*w, *y))
        .collect();
    canvas.line(&inside, 1.5, colour);
    if many {
        return;
    }
    for (w, y, interval) in known {
        if let Some(at) = within(canvas, panel, w, y, colour) {
            let v = canvas.voice;
            let bounds =
                interval.map(|b| b.map_or_else(|| "?".to_owned(), |b| v.signed(b, 2, true)));
            let group = canvas::Group {
                injector: None,
                says: fill(
                    v.words.linearity_point,
                    &[&v.plain(w), &v.signed(y, 2, true), &bounds[0], &bounds[1]],
                ),
            };
            canvas.group(group, |canvas| {
                panel.interval(canvas, at.0, interval, colour);
                // The middle of a short interval is hard to point at.
                canvas.circle(at, 1.5, colour, false);
            });
        }
    }
}

fn legend(canvas: &Canvas<'_>, group: &Group<'_>, reach: f64) {
    let v = canvas.voice;
    let mut legend = Legend::new(canvas, TOP - 11.0, v.words.key);
    legend.entry(v.words.deviation_of_the, |(x, y)| {
        canvas.line(&[(x, y - 8.0), (x, y + 8.0)], 1.0, QUIET);
        canvas.line(&[(x - 3.0, y - 8.0), (x + 3.0, y - 8.0)], 1.0, QUIET);
        canvas.line(&[(x - 3.0, y + 8.0), (x + 3.0, y + 8.0)], 1.0, QUIET);
        canvas.line(&[(x - 12.0, y), (x + 12.0, y)], 1.0, QUIET);
    });
    legend.words(v.words.curve_interval);
    legend.entry(v.words.one_reading, |at| {
        canvas.circle(at, 2.5, QUIET, true)
    });
    let points = || group.sweeps.iter().flat_map(|s| &s.points);
    if points().any(|p| !p.used) {
        legend.entry(v.words.reading_left_out, |at| cross(canvas, at, QUIET));
    }
    legend.entry(v.words.line_range, |(x, y)| {
        canvas.rectangle((x - 10.0, y - 1.5), (x + 10.0, y + 1.5), QUIET);
    });
    let limit = group
        .sweeps
        .first()
        .map_or(0.0, |s| s.linearity_limit_percent);
    if limit <= reach {
        legend.entry(
            &fill(v.words.limit_percent, &[&v.plain(limit)]),
            |(x, y)| {
                canvas.line(&[(x - 10.0, y), (x + 10.0, y)], 0.5, RULE);
            },
        );
    }
    let beyond = |y: &f64| y.abs() > reach;
    let curve = group.sweeps.iter().flat_map(|s| &s.linearity_deviation);
    let bounds = curve.flat_map(|d| [d.percent, d.interval_95[0], d.interval_95[1]]);
    if bounds.flatten().any(|y| beyond(&y))
        || points()
            .filter_map(|p| p.deviation_percent)
            .any(|y| beyond(&y))
    {
        legend.entry(v.words.beyond_axis, |(x, y)| {
            canvas.shape(
                &[(x - 4.5, y - 4.0), (x, y + 4.0), (x + 4.5, y - 4.0)],
                QUIET,
                1.0,
            );
        });
    }
}

pub(super) fn alternative(id: &str, group: &Group<'_>, v: Voice) -> String {
    let mut said = fill(v.words.linearity_alt, &[id, &group.condition(v)]);
    for (label, sweep) in group.labels(v).iter().zip(&group.sweeps) {
        let list: Vec<_> = sweep
            .linearity_deviation
            .iter()
            .filter_map(|d| Some((d.pulse_width_ms, d.percent?)))
            .map(|(w, y)| format!("{} ms {}", v.plain(w), v.signed(y, 1, true)))
            .collect();
        // Long lists say the first, middle and last.
        let shown = if list.len() > 12 {
            [0, list.len() / 2, list.len() - 1]
                .map(|i| list[i].clone())
                .join(", ")
        } else {
            list.join(", ")
        };
        said.push_str(&format!(" {label}: {shown}."));
    }
    said
}
