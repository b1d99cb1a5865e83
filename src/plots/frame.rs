//! Axes, ticks, marks, whiskers and the legend beside the plot.

use plotters::style::RGBColor;

use super::canvas::{Align, Canvas, Type, body};
use super::colour::{GRID, INK, PAPER, QUIET, RULE};
use super::text::fitted;
use crate::units::Interval;

/// Width of every picture, pixels.
pub(super) const WIDTH: f64 = 800.0;
/// Where the legend begins.
pub(super) const LEGEND_X: f64 = 618.0;
/// Left and right edge of a plot with a legend.
pub(super) const PLOT_X: [f64; 2] = [64.0, 600.0];

/// The distance from a first to a last value that an axis shows.
#[derive(Clone, Copy)]
pub(super) struct Span {
    pub lo: f64,
    pub hi: f64,
}

impl Span {
    /// The span of finite values; `None` without any.
    pub fn of(values: impl IntoIterator<Item = f64>) -> Option<Self> {
        values
            .into_iter()
            .filter(|v| v.is_finite())
            .fold(None, |span: Option<Span>, v| {
                Some(span.map_or(Span { lo: v, hi: v }, |s| Span {
                    lo: s.lo.min(v),
                    hi: s.hi.max(v),
                }))
            })
    }

    /// Adds `share` of its width at both ends; a span of one value gets a width of its own.
    pub fn padded(self, share: f64) -> Self {
        let width = self.hi - self.lo;
        let pad = if width > 0.0 {
            share * width
        } else if self.hi == 0.0 {
            1.0
        } else {
            0.1 * self.hi.abs()
        };
        Span {
            lo: self.lo - pad,
            hi: self.hi + pad,
        }
    }

    /// The same with zero in it.
    pub fn with_zero(self) -> Self {
        Span {
            lo: self.lo.min(0.0),
            hi: self.hi.max(0.0),
        }
    }
}

/// A plot: two spans on a rectangle of the sheet.
#[derive(Clone, Copy)]
pub(super) struct Panel {
    pub x: Span,
    pub y: Span,
    /// Pixels of the left and right edge.
    pub across: [f64; 2],
    /// Pixels of the top and bottom edge.
    pub down: [f64; 2],
}

impl Panel {
    /// Pixels of a point.
    pub fn at(&self, x: f64, y: f64) -> (f64, f64) {
        let share = |v: f64, span: Span| (v - span.lo) / (span.hi - span.lo);
        let [left, right] = self.across;
        let [top, bottom] = self.down;
        (
            left + share(x, self.x) * (right - left),
            bottom - share(y, self.y) * (bottom - top),
        )
    }

    /// Grid, tick labels and the two axes. Labels of x only where `x_labels` is set.
    pub fn axes(&self, canvas: &Canvas<'_>, y_ticks: usize, x_labels: bool) {
        self.x_ticks(canvas, x_labels);
        self.grid(canvas, y_ticks, true);
    }

    /// Horizontal grid lines, with labels on the left where `labels` is set.
    pub fn grid(&self, canvas: &Canvas<'_>, y_ticks: usize, labels: bool) {
        for y in ticks(self.y, y_ticks).0 {
            let (_, row) = self.at(self.x.lo, y);
            canvas.line(&[(self.across[0], row), (self.across[1], row)], 0.5, GRID);
        }
        if labels {
            self.grid_labels(canvas, y_ticks);
        }
    }

    /// Labels of the horizontal grid lines.
    pub fn grid_labels(&self, canvas: &Canvas<'_>, y_ticks: usize) {
        let (steps, places) = ticks(self.y, y_ticks);
        for y in steps {
            let (_, row) = self.at(self.x.lo, y);
            let quiet = Type {
                colour: QUIET,
                ..body(Align::Right)
            };
            canvas.text(
                (self.across[0] - 8.0, row),
                &canvas.voice.signed(y, places, false),
                quiet,
            );
        }
    }

    /// Vertical grid lines with labels below, and the line they stand on.
    pub fn x_ticks(&self, canvas: &Canvas<'_>, labels: bool) {
        // A label and the space beside it take some 60 pixels.
        let room = (self.across[1] - self.across[0]) / 60.0;
        self.x_ticks_about(canvas, (room as usize).clamp(3, 8), labels);
    }

    /// The same with about `count` of them.
    pub fn x_ticks_about(&self, canvas: &Canvas<'_>, count: usize, labels: bool) {
        let [top, bottom] = self.down;
        let (steps, places) = ticks(self.x, count);
        for x in steps {
            let (column, _) = self.at(x, self.y.lo);
            canvas.line(&[(column, top), (column, bottom)], 0.5, GRID);
            if labels {
                let quiet = Type {
                    colour: QUIET,
                    ..body(Align::Middle)
                };
                let label = canvas.voice.signed(x, places, false);
                canvas.text((column, bottom + 14.0), &label, quiet);
            }
        }
        canvas.line(
            &[(self.across[0], bottom), (self.across[1], bottom)],
            1.0,
            RULE,
        );
    }

    /// Name of the horizontal axis, under its labels.
    pub fn x_name(&self, canvas: &Canvas<'_>, name: &str) {
        let middle = (self.across[0] + self.across[1]) / 2.0;
        canvas.text((middle, self.down[1] + 34.0), name, body(Align::Middle));
    }

    /// Whether a point lies inside, edges included.
    pub fn holds(&self, x: f64, y: f64) -> bool {
        (self.x.lo..=self.x.hi).contains(&x) && (self.y.lo..=self.y.hi).contains(&y)
    }

    /// A vertical interval at column `column` (pixels), cut at the edges; an
    /// open side runs to the edge and ends in an arrow instead of a bar.
    pub fn interval(&self, canvas: &Canvas<'_>, column: f64, interval: Interval, colour: RGBColor) {
        let [top, bottom] = self.down;
        let edge = [bottom, top];
        let ends = [0, 1].map(|side| match interval[side] {
            Some(v) if v < self.y.lo => (bottom, true),
            Some(v) if v > self.y.hi => (top, true),
            Some(v) => (self.at(self.x.lo, v).1, false),
            None => (edge[side], true),
        });
        let path: Vec<_> = whisker(ends, 6.0)
            .into_iter()
            .map(|(row, aside)| (column + aside, row))
            .collect();
        canvas.line(&path, 1.0, colour);
    }
}

/// A bar from end to end in one stroke, as (along, across) in pixels: closed
/// ends get a cross-bar, open ones an arrow whose barbs lie `barb` back.
pub(super) fn whisker(ends: [(f64, bool); 2], barb: f64) -> Vec<(f64, f64)> {
    let inwards = (ends[1].0 - ends[0].0).signum();
    let end = |(along, open): (f64, bool), inwards: f64| {
        let back = if open { barb * inwards } else { 0.0 };
        let side = [(along + back, -3.0), (along, 0.0), (along + back, 3.0)];
        [side[0], side[1], side[2], side[1]]
    };
    let mut path = end(ends[0], inwards).to_vec();
    path.extend(end(ends[1], -inwards).into_iter().rev());
    path
}

/// Round values within a span, about `count` of them, and the decimals they need.
pub(super) fn ticks(span: Span, count: usize) -> (Vec<f64>, usize) {
    let rough = (span.hi - span.lo) / count as f64;
    if !(rough.is_finite() && rough > 0.0) {
        return (Vec::new(), 0);
    }
    let decade = 10f64.powf(rough.log10().floor());
    let step = decade
        * match rough / decade {
            r if r <= 1.0 => 1.0,
            r if r <= 2.0 => 2.0,
            r if r <= 5.0 => 5.0,
            _ => 10.0,
        };
    let places = (-(step.log10() + 1e-9).floor()).clamp(0.0, 9.0) as usize;
    let first = (span.lo / step - 1e-9).ceil() as i64;
    let last = (span.hi / step + 1e-9).floor() as i64;
    ((first..=last).map(|k| k as f64 * step).collect(), places)
}

/// Number of different marks.
const MARKS: usize = 8;

/// Draws mark number `index` in the usual size: eight shapes, then the same as outlines.
pub(super) fn mark(canvas: &Canvas<'_>, at: (f64, f64), index: usize, colour: RGBColor) {
    mark_sized(canvas, at, index, colour, 4.5);
}

/// The same with a size, about half the width in pixels.
pub(super) fn mark_sized(
    canvas: &Canvas<'_>,
    at: (f64, f64),
    index: usize,
    colour: RGBColor,
    r: f64,
) {
    let open = (index / MARKS) % 2 == 1;
    let regular = |corners: usize, turn: f64, size: f64| -> Vec<(f64, f64)> {
        (0..corners)
            .map(|k| turn + k as f64 * std::f64::consts::TAU / corners as f64)
            .map(|angle| (size * angle.sin(), -size * angle.cos()))
            .collect()
    };
    let half_turn = std::f64::consts::PI;
    let corners = match index % MARKS {
        0 => {
            canvas.circle(at, r, colour, open);
            return;
        }
        1 => regular(4, half_turn / 4.0, r * 1.25),
        2 => regular(3, 0.0, r * 1.35),
        3 => regular(4, 0.0, r * 1.35),
        4 => regular(3, half_turn, r * 1.35),
        5 => plus(r * 1.2, r * 0.4),
        6 => (0..10)
            .map(|k| (k, if k % 2 == 0 { r * 1.5 } else { r * 0.6 }))
            .map(|(k, size)| (f64::from(k) * half_turn / 5.0, size))
            .map(|(angle, size)| (size * angle.sin(), -size * angle.cos()))
            .collect(),
        _ => vec![
            (-r * 0.45, -r * 1.2),
            (r * 0.45, -r * 1.2),
            (r * 0.45, r * 1.2),
            (-r * 0.45, r * 1.2),
        ],
    };
    let mut placed: Vec<_> = corners
        .into_iter()
        .map(|(x, y)| (at.0 + x, at.1 + y))
        .collect();
    if open {
        canvas.shape(&placed, PAPER, 1.0);
        placed.push(placed[0]);
        canvas.line(&placed, 1.5, colour);
    } else {
        canvas.shape(&placed, colour, 1.0);
    }
}

fn plus(long: f64, thin: f64) -> Vec<(f64, f64)> {
    let (l, t) = (long, thin);
    vec![
        (-t, -l),
        (t, -l),
        (t, -t),
        (l, -t),
        (l, t),
        (t, t),
        (t, l),
        (-t, l),
        (-t, t),
        (-l, t),
        (-l, -t),
        (-t, -t),
    ]
}

/// A small × for a reading that was left out.
pub(super) fn cross(canvas: &Canvas<'_>, (x, y): (f64, f64), colour: RGBColor) {
    let r = 4.0;
    canvas.line(&[(x - r, y - r), (x + r, y + r)], 1.5, colour);
    canvas.line(&[(x - r, y + r), (x + r, y - r)], 1.5, colour);
}

/// The picture's heading: what is seen, then under which condition.
pub(super) fn heading(canvas: &Canvas<'_>, title: &str, under: &str) {
    let bold = Type {
        size: 16.0,
        bold: true,
        ..body(Align::Left)
    };
    canvas.text((16.0, 22.0), &fitted(title, 768.0, 17.8), bold);
    let quiet = Type {
        colour: QUIET,
        ..body(Align::Left)
    };
    canvas.text((16.0, 43.0), &fitted(under, 768.0, 12.0), quiet);
}

/// The legend: entries go down one row after the other.
pub(super) struct Legend<'a, 'b> {
    canvas: &'a Canvas<'b>,
    row: f64,
}

impl<'a, 'b> Legend<'a, 'b> {
    /// Begins with a heading at pixel row `top`.
    pub fn new(canvas: &'a Canvas<'b>, top: f64, name: &str) -> Self {
        let bold = Type {
            bold: true,
            ..body(Align::Left)
        };
        canvas.text((LEGEND_X, top), name, bold);
        Legend {
            canvas,
            row: top + 20.0,
        }
    }

    /// One entry: a key drawn at the point given to `key`, then words.
    pub fn entry(&mut self, words: &str, key: impl FnOnce((f64, f64))) {
        key((LEGEND_X + 12.0, self.row));
        self.words(words);
    }

    /// Words without a key, under those of the entry above.
    pub fn words(&mut self, words: &str) {
        let look = Type {
            colour: INK,
            ..body(Align::Left)
        };
        self.canvas.text(
            (LEGEND_X + 30.0, self.row),
            &fitted(words, WIDTH - LEGEND_X - 34.0, 12.0),
            look,
        );
        self.row += 19.0;
    }

    /// Space between two kinds of entries.
    pub fn gap(&mut self) {
        self.row += 9.0;
    }
}

/// Height of a legend with `rows` rows and `gaps` gaps below pixel row `top`.
pub(super) fn legend_bottom(top: f64, rows: usize, gaps: usize) -> f64 {
    top + 20.0 + 19.0 * rows as f64 + 9.0 * gaps as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_lie_inside() {
        let (steps, places) = ticks(Span { lo: 0.0, hi: 1.55 }, 8);
        assert_eq!((steps.len(), places), (8, 1));
        let (steps, places) = ticks(
            Span {
                lo: -0.013,
                hi: 0.021,
            },
            4,
        );
        assert_eq!(places, 2);
        assert_eq!(steps.len(), 4);
        assert!(ticks(Span { lo: 1.0, hi: 1.0 }, 4).0.is_empty());
    }
}
