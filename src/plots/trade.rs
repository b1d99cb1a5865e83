//! Half-width against bench time: what a run costs and what it buys.

use super::Picture;
use super::canvas::{Align, Canvas, Caption, Type, body, picture};
use super::colour::{self, GRID, QUIET};
use super::frame::{Legend, PLOT_X, Panel, Span, WIDTH, heading, mark};
use super::text::{file_stem, plain, signed, visible};

/// One kind of run with its trade of time for doubt.
#[derive(Debug, Clone, PartialEq)]
pub struct TradeSeries {
    /// What it is called.
    pub name: String,
    /// Bench time, s, half-width of the dead time, µs, half-width of the flow, percent.
    pub points: Vec<[f64; 3]>,
}

const TOP: f64 = 92.0;
const HEIGHT: f64 = 190.0;
const BETWEEN: f64 = 40.0;

/// Half-widths of the 95 % intervals of dead time and flow against bench time, on
/// logarithmic axes of doubt. `under` says which run; `None` without two finite points.
pub fn doubt_against_time(series: &[TradeSeries], under: &str) -> Option<Picture> {
    let series: Vec<TradeSeries> = series
        .iter()
        .map(|s| TradeSeries {
            name: visible(&s.name),
            points: s
                .points
                .iter()
                .filter(|p| p.iter().all(|v| v.is_finite() && *v > 0.0))
                .copied()
                .collect(),
        })
        .filter(|s| !s.points.is_empty())
        .collect();
    let all = || series.iter().flat_map(|s| &s.points);
    if all().count() < 2 {
        return None;
    }
    let longest = all().map(|p| p[0] / 60.0).fold(0.0, f64::max);
    let x = Span {
        lo: 0.0,
        hi: 1.03 * longest,
    };
    let title = "What bench time buys: half-width of the 95 % interval".to_owned();
    let caption = Caption {
        file_stem: file_stem(&["plan", "doubt-against-time"]),
        title: title.clone(),
        alt: alternative(&series, under),
    };
    let height = TOP + 2.0 * HEIGHT + BETWEEN + 54.0;
    Some(picture(caption, (WIDTH, height), |canvas| {
        heading(canvas, &title, &visible(under));
        for (k, name) in ["dead time, µs", "flow, %"].into_iter().enumerate() {
            let top = TOP + k as f64 * (HEIGHT + BETWEEN);
            one_panel(canvas, &series, x, (k, name), top);
        }
        let mut legend = Legend::new(canvas, TOP, "run");
        for (i, one) in series.iter().enumerate() {
            legend.entry(&one.name, |at| mark(canvas, at, i, colour::series(i)));
        }
    }))
}

fn one_panel(
    canvas: &Canvas<'_>,
    series: &[TradeSeries],
    x: Span,
    (k, name): (usize, &str),
    top: f64,
) {
    let Some(y) = Span::of(
        series
            .iter()
            .flat_map(|s| s.points.iter().map(|p| p[k + 1].log10())),
    ) else {
        return;
    };
    let panel = Panel {
        x,
        y: y.padded(0.08),
        across: PLOT_X,
        down: [top, top + HEIGHT],
    };
    panel.x_ticks(canvas, k == 1);
    if k == 1 {
        panel.x_name(canvas, "time at the bench, min");
    }
    canvas.text((16.0, top - 14.0), name, body(Align::Left));
    for value in round_values(panel.y) {
        let (_, row) = panel.at(0.0, value.log10());
        canvas.line(&[(PLOT_X[0], row), (PLOT_X[1], row)], 0.5, GRID);
        let quiet = Type {
            colour: QUIET,
            ..body(Align::Right)
        };
        let places = if value < 0.1 {
            2
        } else {
            usize::from(value < 1.0)
        };
        canvas.text((PLOT_X[0] - 8.0, row), &signed(value, places, false), quiet);
    }
    for (i, one) in series.iter().enumerate() {
        let path: Vec<_> = one
            .points
            .iter()
            .map(|p| panel.at(p[0] / 60.0, p[k + 1].log10()))
            .collect();
        canvas.line(&path, 1.5, colour::series(i));
        // Marks where they do not crowd.
        let mut last = f64::NEG_INFINITY;
        for at in path {
            if at.0 - last > 14.0 {
                mark(canvas, at, i, colour::series(i));
                last = at.0;
            }
        }
    }
}

/// 1, 2 and 5 of each decade within a span of logarithms.
fn round_values(span: Span) -> Vec<f64> {
    let decades = span.lo.floor() as i32..=span.hi.ceil() as i32;
    decades
        .flat_map(|d| [1.0, 2.0, 5.0].map(|m| m * 10f64.powi(d)))
        .filter(|v| (span.lo..=span.hi).contains(&v.log10()))
        .collect()
}

fn alternative(series: &[TradeSeries], under: &str) -> String {
    let mut said = format!("Half-width of the 95 % intervals against time at the bench, {under}.");
    for one in series {
        // First, last and a few between tell the curve.
        let step = one.points.len().div_ceil(6).max(1);
        let values: Vec<String> = one
            .points
            .iter()
            .step_by(step)
            .map(|[time, x, s]| {
                format!(
                    "{} min {} µs and {} %",
                    plain((time / 60.0).round()),
                    plain((x * 10.0).round() / 10.0),
                    plain((s * 100.0).round() / 100.0)
                )
            })
            .collect();
        said.push_str(&format!(" {}: {}.", one.name, values.join(", ")));
    }
    said
}
