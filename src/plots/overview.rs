//! One picture of one injector with all its conditions: delivered quantity with
//! line and line range, linearity deviation, dead time.

mod dead_time;
mod key;

use super::canvas::{Align, Canvas, Caption, Type, body, picture};
use super::colour::{self, QUIET, SHADE};
use super::delivery::{self, Line, common_range, draw_line, draw_readings};
use super::frame::{Panel, Span, WIDTH, heading};
use super::linearity::{self, reach, strip};
use super::text::{file_stem, fitted, shortened, visible};
use super::{Group, Picture, groups};
use crate::characterisation::{Injector, SweepFit};
use crate::words::{Voice, fill};
use key::{Sign, key_height, keys};

/// Left edge of what is drawn, right edge, and what lies between two columns.
const ACROSS: [f64; 2] = [62.0, 784.0];
const BETWEEN: f64 = 20.0;
/// Columns beside each other; further pressures and stages go below.
const COLUMNS: usize = 3;
/// Height of a panel of delivered quantity, of a strip, and between two strips.
const PANEL: f64 = 190.0;
const STRIP: f64 = 58.0;
const GAP: f64 = 9.0;
/// Below a row of panels: tick labels and the name of the axis.
const FEET: f64 = 50.0;

/// All sweeps of one injector in one picture: a column for each stage and
/// pressure, all voltages in it; dead time against voltage and pressure. `None`
/// where there is no reading to draw.
///
/// All columns have the same axes. What the marks mean is said on top.
pub fn overview(injector: &Injector, v: Voice) -> Option<Picture> {
    let groups = groups(injector);
    let scene = Scene::of(&groups, v)?;
    let id = shortened(&visible(&injector.id), 30);
    let title = fill(v.words.overview_title, &[&id]);
    let caption = Caption {
        file_stem: file_stem(&["injector", &injector.id]),
        title: title.clone(),
        alt: alternative(injector, &groups, v),
    };
    let signs = scene.signs();
    let top = 66.0 + key_height(&signs);
    let chunks: Vec<&[Group<'_>]> = groups.chunks(COLUMNS).collect();
    let dead_time = dead_time::Part::of(&groups, &scene.labels, v);
    let parts: f64 = chunks.iter().map(|c| scene.height(c)).sum();
    let height = top + parts + dead_time.as_ref().map_or(0.0, dead_time::Part::height) + 8.0;
    Some(picture(caption, (WIDTH, height), v, |canvas| {
        heading(canvas, &title, v.words.overview_under);
        keys(canvas, 70.0, &signs);
        let mut row = top;
        for chunk in chunks {
            scene.draw(canvas, chunk, row);
            row += scene.height(chunk);
        }
        if let Some(part) = &dead_time {
            part.draw(canvas, row);
        }
    }))
}

/// What all columns share: axes, and the voltages with their marks.
struct Scene {
    /// Voltages in words, rising; a sweep's mark is its place in here.
    labels: Vec<String>,
    width: Span,
    amount: Span,
    /// How far deviations reach, percent; `None` where none is known.
    reach: Option<f64>,
    amount_name: &'static str,
    limit: f64,
    left_out: bool,
    lines: bool,
    v: Voice,
}

/// The voltages of some groups in words, rising.
fn voltages(groups: &[Group<'_>], v: Voice) -> Vec<String> {
    let mut all: Vec<Option<f64>> = Vec::new();
    for sweep in groups.iter().flat_map(|g| &g.sweeps) {
        if !all.contains(&sweep.voltage_v) {
            all.push(sweep.voltage_v);
        }
    }
    let volts = |x: &Option<f64>| x.unwrap_or(f64::NEG_INFINITY);
    all.sort_by(|a, b| volts(a).total_cmp(&volts(b)));
    let mut labels: Vec<String> = all.into_iter().map(|x| v.voltage(x)).collect();
    labels.dedup();
    labels
}

impl Scene {
    fn of(groups: &[Group<'_>], v: Voice) -> Option<Self> {
        let sweeps: Vec<&SweepFit> = groups
            .iter()
            .flat_map(|g| g.sweeps.iter().copied())
            .collect();
        let points = || {
            sweeps
                .iter()
                .flat_map(|s| &s.points)
                .filter(|p| p.pulse_width_ms > 0.0)
        };
        let width = Span::of(points().map(|p| p.pulse_width_ms))?;
        let amount = Span::of(points().map(|p| p.delivered))?;
        let first = groups.first()?;
        let known = sweeps.iter().any(|s| !s.linearity_deviation.is_empty());
        Some(Scene {
            labels: voltages(groups, v),
            width: Span {
                lo: 0.0,
                hi: width.hi * 1.04,
            },
            amount: amount.with_zero().padded(0.05),
            reach: if known { reach(&sweeps) } else { None },
            amount_name: delivery::amount_name(first, v),
            limit: sweeps.first().map_or(0.0, |s| s.linearity_limit_percent),
            left_out: points().any(|p| !p.used),
            lines: sweeps.iter().any(|s| Line::of(s).is_some()),
            v,
        })
    }

    /// Which mark and colour a sweep has.
    fn place(&self, sweep: &SweepFit) -> usize {
        let label = self.v.voltage(sweep.voltage_v);
        self.labels.iter().position(|l| *l == label).unwrap_or(0)
    }

    fn signs(&self) -> Vec<(String, Sign)> {
        let words = self.v.words;
        let count = self.labels.len();
        let mut signs: Vec<(String, Sign)> = self
            .labels
            .iter()
            .enumerate()
            .map(|(i, label)| (label.clone(), Sign::Mark(i, colour::ramp(i, count))))
            .collect();
        if self.left_out {
            signs.push((words.reading_left_out.to_owned(), Sign::Cross));
        }
        if self.lines {
            signs.push((words.line_in_range.to_owned(), Sign::Thick));
            signs.push((words.line_continued.to_owned(), Sign::Thin));
            signs.push((words.line_range_shaded.to_owned(), Sign::Shade));
        }
        signs.push((words.interval_95.to_owned(), Sign::Interval));
        if let Some(reach) = self.reach {
            signs.push((words.one_reading_below.to_owned(), Sign::Ring));
            if self.limit <= reach {
                let limit = fill(words.limit_percent, &[&self.v.plain(self.limit)]);
                signs.push((limit, Sign::Limit));
            }
            signs.push((words.beyond_axis.to_owned(), Sign::Beyond));
        }
        signs
    }

    /// Left and right edge of column `i` of `count`.
    fn across(i: usize, count: usize) -> [f64; 2] {
        let count = count as f64;
        let wide = (ACROSS[1] - ACROSS[0] - BETWEEN * (count - 1.0)) / count;
        let left = ACROSS[0] + i as f64 * (wide + BETWEEN);
        [left, left + wide]
    }

    /// Voltages of some columns, by their place, the highest first.
    fn rows(&self, columns: &[Group<'_>]) -> Vec<usize> {
        let mut rows: Vec<usize> = columns
            .iter()
            .flat_map(|g| &g.sweeps)
            .filter(|s| !s.linearity_deviation.is_empty())
            .map(|s| self.place(s))
            .collect();
        rows.sort_unstable();
        rows.dedup();
        rows.reverse();
        rows
    }

    fn height(&self, columns: &[Group<'_>]) -> f64 {
        let rows = self.rows(columns).len() as f64;
        let strips = if self.reach.is_some() && rows > 0.0 {
            30.0 + rows * (STRIP + GAP) + FEET
        } else {
            0.0
        };
        46.0 + PANEL + FEET + strips
    }

    fn draw(&self, canvas: &Canvas<'_>, columns: &[Group<'_>], top: f64) {
        title(canvas, top + 8.0, self.amount_name);
        for (i, group) in columns.iter().enumerate() {
            let across = Self::across(i, columns.len());
            let quiet = Type {
                colour: QUIET,
                ..body(Align::Left)
            };
            let name = fitted(&group.condition(self.v), across[1] - across[0], 12.0);
            canvas.text((across[0], top + 30.0), &name, quiet);
            let panel = Panel {
                x: self.width,
                y: self.amount,
                across,
                down: [top + 42.0, top + 42.0 + PANEL],
            };
            self.delivered(canvas, &panel, group, i == 0);
        }
        let (Some(reach), rows) = (self.reach, self.rows(columns)) else {
            return;
        };
        if rows.is_empty() {
            return;
        }
        let top = top + 46.0 + PANEL + FEET;
        title(canvas, top + 6.0, self.v.words.linearity_axis);
        for (i, group) in columns.iter().enumerate() {
            for (row, place) in rows.iter().enumerate() {
                let down = top + 22.0 + row as f64 * (STRIP + GAP);
                let panel = Panel {
                    x: self.width,
                    y: Span {
                        lo: -reach,
                        hi: reach,
                    },
                    across: Self::across(i, columns.len()),
                    down: [down, down + STRIP],
                };
                self.strip(
                    canvas,
                    &panel,
                    group,
                    *place,
                    (i == 0, row + 1 == rows.len()),
                );
            }
        }
    }

    fn delivered(&self, canvas: &Canvas<'_>, panel: &Panel, group: &Group<'_>, first: bool) {
        let lines: Vec<Option<Line>> = group.sweeps.iter().map(|s| Line::of(s)).collect();
        if let Some([lo, hi]) = common_range(&lines) {
            canvas.rectangle(panel.at(lo, panel.y.hi), panel.at(hi, panel.y.lo), SHADE);
        }
        panel.grid(canvas, 5, first);
        panel.x_ticks(canvas, true);
        panel.x_name(canvas, self.v.words.width_axis);
        for (sweep, line) in group.sweeps.iter().zip(&lines) {
            let place = self.place(sweep);
            let colour = colour::ramp(place, self.labels.len());
            if let Some(line) = line {
                draw_line(canvas, panel, line, colour);
            }
            draw_readings(canvas, panel, sweep, place, (colour, 3.0));
        }
    }

    fn strip(
        &self,
        canvas: &Canvas<'_>,
        panel: &Panel,
        group: &Group<'_>,
        place: usize,
        (first, last): (bool, bool),
    ) {
        if last {
            panel.x_ticks(canvas, true);
            panel.x_name(canvas, self.v.words.width_axis);
        }
        let here = group.sweeps.iter().filter(|s| self.place(s) == place);
        for sweep in here {
            strip(canvas, panel, sweep, colour::ramp(place, self.labels.len()));
        }
        if first {
            panel.grid_labels(canvas, 3);
        }
        let name = Type {
            bold: true,
            size: 11.0,
            ..body(Align::Right)
        };
        let at = (panel.across[1] - 4.0, panel.down[0] + 8.0);
        canvas.text(at, &fitted(&self.labels[place], 110.0, 12.0), name);
    }
}

/// The name of a part: what its vertical axis shows.
fn title(canvas: &Canvas<'_>, row: f64, words: &str) {
    let bold = Type {
        size: 13.0,
        bold: true,
        ..body(Align::Left)
    };
    canvas.text((16.0, row), words, bold);
}

fn alternative(injector: &Injector, groups: &[Group<'_>], v: Voice) -> String {
    // It stands in each sentence: a long id would be most of the text.
    let id = shortened(&visible(&injector.id), 60);
    let mut said = fill(v.words.overview_alt, &[&id]);
    for group in groups {
        let lines: Vec<Option<Line>> = group.sweeps.iter().map(|s| Line::of(s)).collect();
        said.push(' ');
        said.push_str(&delivery::alternative(&id, group, &lines, v));
        if group
            .sweeps
            .iter()
            .any(|s| !s.linearity_deviation.is_empty())
        {
            said.push(' ');
            said.push_str(&linearity::alternative(&id, group, v));
        }
    }
    said
}
