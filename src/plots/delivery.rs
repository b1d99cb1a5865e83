//! Delivered quantity against pulse width: readings, line, band and line range.

use plotters::style::RGBColor;

use super::canvas::{self, Align, Canvas, Caption, body, picture};
use super::colour::{self, GRID, QUIET, SHADE};
use super::frame::{Legend, PLOT_X, Panel, Span, WIDTH, cross, heading, legend_bottom, mark_sized};
use super::text::{shortened, visible};
use super::{Group, Picture, groups};
use crate::characterisation::Injector;
use crate::characterisation::SweepFit;
use crate::units::Basis;
use crate::words::{Voice, fill};

const TOP: f64 = 84.0;

/// Delivered quantity per pulse against pulse width of one injector: a picture
/// for each stage and pressure, all voltages in it.
///
/// Readings are marks, left-out readings crosses; the line is strong over its
/// line range and thin beyond, with its 95 % band. The band is the standard
/// uncertainty of the line from the stored covariance, times the coverage
/// factor that the slope's own interval was made with.
pub fn deliveries(injector: &Injector, v: Voice) -> Vec<Picture> {
    groups(injector)
        .iter()
        .filter_map(|group| delivery(injector, group, v))
        .collect()
}

/// A straight line with what is needed to draw it.
pub(super) struct Line {
    slope: f64,
    offset: f64,
    range: Option<[f64; 2]>,
    /// Coverage factor and var(S), cov(S, Y), var(Y).
    band: Option<(f64, [f64; 3])>,
}

impl Line {
    pub fn of(sweep: &SweepFit) -> Option<Self> {
        let (slope, offset) = (sweep.slope.as_ref()?, sweep.flow_offset.as_ref()?);
        let coverage = slope
            .half_width()
            .zip(slope.standard_uncertainty)
            .map(|(half, u)| half / u)
            .filter(|k| k.is_finite());
        let covariance = sweep.covariance.as_ref().and_then(|c| {
            let place = |name: &str| c.parameters.iter().position(|p| p == name);
            let (s, y) = (place("slope")?, place("flow_offset")?);
            let cell = |i: usize, j: usize| c.matrix.get(i)?.get(j).copied();
            Some([cell(s, s)?, cell(s, y)?, cell(y, y)?])
        });
        Some(Line {
            slope: slope.value,
            offset: offset.value,
            range: sweep.line_range_ms,
            band: coverage.zip(covariance),
        })
    }

    fn at(&self, width: f64) -> f64 {
        self.slope * width + self.offset
    }

    /// Half the 95 % band at a pulse width.
    fn half(&self, width: f64) -> Option<f64> {
        let (coverage, [ss, sy, yy]) = self.band?;
        let variance = width * width * ss + 2.0 * width * sy + yy;
        (variance >= 0.0).then(|| coverage * variance.sqrt())
    }

    /// Where it meets zero delivery, or the left edge of the picture.
    fn start(&self, panel: &Panel) -> f64 {
        let zero = -self.offset / self.slope;
        if zero.is_finite() {
            zero.max(panel.x.lo)
        } else {
            panel.x.lo
        }
    }
}

fn delivery(injector: &Injector, group: &Group<'_>, v: Voice) -> Option<Picture> {
    let points = || group.sweeps.iter().flat_map(|s| &s.points);
    let x = Span::of(points().map(|p| p.pulse_width_ms).filter(|w| *w > 0.0))?;
    let y = Span::of(
        points()
            .filter(|p| p.pulse_width_ms > 0.0)
            .map(|p| p.delivered),
    )?;
    let lines: Vec<Option<Line>> = group.sweeps.iter().map(|s| Line::of(s)).collect();
    let id = visible(&injector.id);
    let caption = Caption {
        file_stem: group.stem("delivery", &injector.id),
        title: fill(v.words.delivery_title, &[&shortened(&id, 30)]),
        alt: alternative(&id, group, &lines, v),
    };
    let common = common_range(&lines);
    let rows = group.sweeps.len() * if common.is_some() { 1 } else { 2 } + 5;
    let height = legend_bottom(TOP, rows, 2).max(460.0);
    let panel = Panel {
        x: Span {
            lo: 0.0,
            hi: x.hi * 1.03,
        },
        y: y.with_zero().padded(0.04),
        across: PLOT_X,
        down: [TOP, height - 54.0],
    };
    Some(picture(caption, (WIDTH, height), v, |canvas| {
        heading(
            canvas,
            &fill(v.words.delivery_title, &[&shortened(&id, 30)]),
            &group.condition(v),
        );
        if let Some([lo, hi]) = common {
            let (from, to) = (panel.at(lo, panel.y.hi), panel.at(hi, panel.y.lo));
            canvas.rectangle(from, to, SHADE);
        }
        panel.axes(canvas, 6, true);
        panel.x_name(canvas, v.words.width_axis);
        canvas.text((16.0, TOP - 18.0), amount_name(group, v), body(Align::Left));
        for (i, (sweep, line)) in group.sweeps.iter().zip(&lines).enumerate() {
            let colour = colour::ramp(i, group.sweeps.len());
            if let Some(line) = line {
                draw_line(canvas, &panel, line, colour);
            }
            draw_readings(canvas, &panel, sweep, i, (colour, 4.5));
        }
        legend(canvas, &panel, group, &lines, common);
    }))
}

/// Name of the vertical axis with its unit.
pub(super) fn amount_name(group: &Group<'_>, v: Voice) -> &'static str {
    match group.sweeps.first().map(|s| s.basis) {
        Some(Basis::Mass) => v.words.delivered_mg_axis,
        _ => v.words.delivered_mm3_axis,
    }
}

/// The line range, where all lines have the same.
pub(super) fn common_range(lines: &[Option<Line>]) -> Option<[f64; 2]> {
    let mut ranges = lines.iter().flatten().map(|l| l.range);
    let first = ranges.next()??;
    ranges.all(|r| r == Some(first)).then_some(first)
}

pub(super) fn draw_line(canvas: &Canvas<'_>, panel: &Panel, line: &Line, colour: RGBColor) {
    let (start, end) = (line.start(panel), panel.x.hi);
    if line.band.is_some() {
        // A hyperbola this flat needs few corners.
        let steps = 12;
        let edge = |sign: f64| {
            (0..=steps).filter_map(move |k| {
                let w = start + (end - start) * f64::from(k) / f64::from(steps);
                Some(panel.at(w, line.at(w) + sign * line.half(w)?))
            })
        };
        let mut corners: Vec<_> = edge(1.0).collect();
        corners.extend(edge(-1.0).collect::<Vec<_>>().into_iter().rev());
        canvas.shape(&corners, colour, 0.25);
    }
    let between = |a: f64, b: f64| [panel.at(a, line.at(a)), panel.at(b, line.at(b))];
    canvas.line(&between(start, end), 0.5, colour);
    if let Some([lo, hi]) = line.range {
        canvas.line(&between(lo, hi), 2.0, colour);
    }
}

pub(super) fn draw_readings(
    canvas: &Canvas<'_>,
    panel: &Panel,
    sweep: &SweepFit,
    index: usize,
    (colour, size): (RGBColor, f64),
) {
    let v = canvas.voice;
    let unit = sweep.basis.amount_unit().sign();
    for point in sweep.points.iter().filter(|p| p.pulse_width_ms > 0.0) {
        let at = panel.at(point.pulse_width_ms, point.delivered);
        let width = v.plain(point.pulse_width_ms);
        let amount = v.plain(point.delivered);
        let sentence = if point.used {
            v.words.reading_point
        } else {
            v.words.reading_point_out
        };
        let place = format!("{}:{}", shortened(&visible(&point.source), 30), point.line);
        let group = canvas::Group {
            injector: None,
            says: fill(sentence, &[&width, &amount, unit, &place]),
        };
        canvas.group(group, |canvas| {
            if point.used {
                mark_sized(canvas, at, index, colour, size);
            } else {
                cross(canvas, at, colour);
            }
        });
    }
}

fn legend(
    canvas: &Canvas<'_>,
    panel: &Panel,
    group: &Group<'_>,
    lines: &[Option<Line>],
    common: Option<[f64; 2]>,
) {
    let v = canvas.voice;
    let mut legend = Legend::new(canvas, TOP, v.words.supply_voltage);
    let count = group.sweeps.len();
    // The highest voltage delivers most and lies on top, in the plot as here.
    for (i, label) in group.labels(v).iter().enumerate().rev() {
        legend.entry(label, |at| {
            mark_sized(canvas, at, i, colour::ramp(i, count), 4.5);
        });
        match (common, lines[i].as_ref()) {
            (
                None,
                Some(Line {
                    range: Some([lo, hi]),
                    ..
                }),
            ) => {
                legend.words(&fill(v.words.line_from_to, &[&v.plain(*lo), &v.plain(*hi)]));
            }
            (None, _) => legend.words(v.words.no_line),
            _ => {}
        }
    }
    legend.gap();
    let bar =
        |(x, y): (f64, f64), width: f64| canvas.line(&[(x - 10.0, y), (x + 10.0, y)], width, QUIET);
    match common {
        Some([lo, hi]) => {
            legend.entry(v.words.line_in_range_comma, |at| {
                canvas.rectangle((at.0 - 12.0, at.1 - 7.0), (at.0 + 12.0, at.1 + 7.0), SHADE);
                bar(at, 2.0);
            });
            legend.words(&fill(v.words.from_to_ms, &[&v.plain(lo), &v.plain(hi)]));
        }
        None if lines.iter().flatten().any(|l| l.range.is_some()) => {
            legend.entry(v.words.line_in_range, |at| bar(at, 2.0));
        }
        None => {}
    }
    if lines.iter().any(Option::is_some) {
        legend.entry(v.words.line_continued, |at| bar(at, 0.5));
    }
    if let Some(half) = widest_band(panel, lines) {
        legend.entry(
            if half < 2.0 {
                v.words.band_thin
            } else {
                v.words.band
            },
            |(x, y)| canvas.rectangle((x - 10.0, y - 5.0), (x + 10.0, y + 5.0), GRID),
        );
    }
    if group
        .sweeps
        .iter()
        .any(|s| s.points.iter().any(|p| !p.used))
    {
        legend.entry(v.words.reading_left_out, |at| cross(canvas, at, QUIET));
    }
}

/// Half the widest band in pixels; `None` without any band.
fn widest_band(panel: &Panel, lines: &[Option<Line>]) -> Option<f64> {
    let pixels = (panel.down[1] - panel.down[0]) / (panel.y.hi - panel.y.lo);
    lines
        .iter()
        .flatten()
        .filter_map(|l| Some(l.half(panel.x.hi)?.max(l.half(l.start(panel))?) * pixels))
        .reduce(f64::max)
}

pub(super) fn alternative(id: &str, group: &Group<'_>, lines: &[Option<Line>], v: Voice) -> String {
    let mut said = fill(v.words.delivery_alt, &[id, &group.condition(v)]);
    for (label, (sweep, line)) in group.labels(v).iter().zip(group.sweeps.iter().zip(lines)) {
        let unit = sweep.basis.amount_unit().sign();
        let line = match line {
            Some(line) => fill(
                v.words.line_alt,
                &[
                    &v.plain(line.slope),
                    unit,
                    &v.plain(-line.offset / line.slope),
                ],
            ),
            None => v.words.no_line.to_owned(),
        };
        let left_out = sweep.points.iter().filter(|p| !p.used).count();
        let count = sweep.points.len().to_string();
        let left_out = left_out.to_string();
        said.push(' ');
        said.push_str(&fill(
            v.words.delivery_alt_sweep,
            &[label, &count, &left_out, &line],
        ));
    }
    said
}
