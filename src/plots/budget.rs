//! The uncertainty budget as bars: how long is how large, what it is made of.

use super::canvas::{self, Align, Canvas, Caption, Type, body, picture};
use super::colour::{self, INK, PAPER};
use super::frame::{Panel, Span, WIDTH, heading};
use super::text::{condition, file_stem, fitted, shortened, visible};
use super::{Group, Picture, groups};
use crate::characterisation::{BudgetRow, Injector, SweepFit};
use crate::units::significant;
use crate::words::{Voice, fill};

/// Height of a bar with its space, of a line of the key.
const ROW: f64 = 20.0;
const LINE: f64 = 18.0;
const FEET: f64 = 50.0;
/// Left edge leaves room for the condition.
const ACROSS: [f64; 2] = [216.0, 784.0];
const BETWEEN: f64 = 20.0;
const TOP: f64 = 64.0;

/// One bar: standard uncertainty and the contributions to it, of one unit.
struct Bar {
    total: f64,
    parts: Vec<(usize, f64)>,
}

struct Row {
    name: String,
    dead_time: Bar,
    flow: Bar,
}

/// What makes the doubt of dead time and flow of one injector: a bar for each
/// sweep, as long as the standard uncertainty, parted by the squares of its
/// contributions. `None` where no sweep has a budget.
pub fn budgets(injector: &Injector, v: Voice) -> Option<Picture> {
    let part = Part::of(&groups(injector), v)?;
    let id = visible(&injector.id);
    let title = fill(v.words.budget_title, &[&shortened(&id, 30)]);
    let caption = Caption {
        file_stem: file_stem(&["budget", &injector.id]),
        title: title.clone(),
        alt: part.alternative(&id),
    };
    Some(picture(caption, (WIDTH, part.height()), v, |canvas| {
        heading(canvas, &title, v.words.budget_under);
        part.draw(canvas);
    }))
}

/// Bars for each sweep with a budget, and the names of their parts.
struct Part {
    rows: Vec<Row>,
    /// Component in words with its type.
    components: Vec<String>,
    v: Voice,
}

impl Part {
    /// `None` where no sweep has a budget.
    fn of(groups: &[Group<'_>], v: Voice) -> Option<Self> {
        let mut components: Vec<String> = Vec::new();
        let mut rows = Vec::new();
        for group in groups {
            for sweep in group.sweeps.iter().filter(|s| !s.budget.is_empty()) {
                let places: Vec<usize> = sweep
                    .budget
                    .iter()
                    .map(|row| place(&mut components, row))
                    .collect();
                let condition = condition(group.stage, group.pressure_kpa, v);
                rows.push(Row {
                    name: format!("{}, {condition}", v.voltage(sweep.voltage_v)),
                    dead_time: bar(sweep, &places, |b| b.dead_time_us),
                    flow: bar(sweep, &places, |b| b.slope_percent),
                });
            }
        }
        (!rows.is_empty()).then_some(Part {
            rows,
            components,
            v,
        })
    }

    fn key_lines(&self) -> f64 {
        (self.components.len() as f64 / 2.0).ceil()
    }

    fn height(&self) -> f64 {
        TOP + self.rows.len() as f64 * ROW + FEET + self.key_lines() * LINE + 4.0
    }

    fn draw(&self, canvas: &Canvas<'_>) {
        let words = self.v.words;
        let wide = (ACROSS[1] - ACROSS[0] - BETWEEN) / 2.0;
        let down = [TOP, TOP + self.rows.len() as f64 * ROW];
        for (i, row) in self.rows.iter().enumerate() {
            let at = (16.0, down[0] + (i as f64 + 0.5) * ROW);
            canvas.text(
                at,
                &fitted(&row.name, ACROSS[0] - 24.0, 12.0),
                body(Align::Left),
            );
        }
        let left = [ACROSS[0], ACROSS[0] + wide];
        let right = [left[1] + BETWEEN, ACROSS[1]];
        self.bars(
            canvas,
            left,
            down,
            |r| &r.dead_time,
            (words.budget_dead_time_axis, "µs"),
        );
        self.bars(
            canvas,
            right,
            down,
            |r| &r.flow,
            (words.budget_flow_axis, "%"),
        );
        for (i, name) in self.components.iter().enumerate() {
            let column = 16.0 + 384.0 * (i % 2) as f64;
            let row = down[1] + FEET + LINE * (i / 2) as f64;
            let number = Type {
                bold: true,
                ..body(Align::Right)
            };
            let tile = (column, row - 7.0);
            canvas.tint(tile, (column + 22.0, row + 7.0), colour::series(i), tint(i));
            canvas.text((column + 15.0, row), &(i + 1).to_string(), number);
            canvas.text(
                (column + 30.0, row),
                &fitted(name, 340.0, 12.0),
                body(Align::Left),
            );
        }
    }

    fn alternative(&self, id: &str) -> String {
        let mut said = fill(self.v.words.budget_alt, &[id]);
        for row in &self.rows {
            let figure = |bar: &Bar| self.v.figure(&significant(bar.total, 2));
            let largest = |bar: &Bar| {
                let part = bar
                    .parts
                    .iter()
                    .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
                part.map_or("", |(place, _)| &self.components[*place])
                    .to_owned()
            };
            said.push(' ');
            said.push_str(&fill(
                self.v.words.budget_alt_row,
                &[
                    &row.name,
                    &figure(&row.dead_time),
                    &largest(&row.dead_time),
                    &figure(&row.flow),
                    &largest(&row.flow),
                ],
            ));
        }
        said
    }

    fn bars(
        &self,
        canvas: &Canvas<'_>,
        across: [f64; 2],
        down: [f64; 2],
        of: fn(&Row) -> &Bar,
        (name, unit): (&str, &str),
    ) {
        let longest = Span::of(self.rows.iter().map(|r| of(r).total)).map_or(0.0, |s| s.hi);
        let panel = Panel {
            x: Span {
                lo: 0.0,
                hi: if longest > 0.0 { 1.05 * longest } else { 1.0 },
            },
            y: Span { lo: 0.0, hi: 1.0 },
            across,
            down,
        };
        panel.x_ticks_about(canvas, 5, true);
        panel.x_name(canvas, name);
        for (i, row) in self.rows.iter().enumerate() {
            let top = down[0] + i as f64 * ROW + 3.0;
            self.bar(canvas, &panel, of(row), top, unit);
        }
    }

    fn bar(&self, canvas: &Canvas<'_>, panel: &Panel, bar: &Bar, top: f64, unit: &str) {
        let squares: f64 = bar.parts.iter().map(|(_, u)| u * u).sum();
        if squares <= 0.0 {
            return;
        }
        let bottom = top + ROW - 6.0;
        let mut from = 0.0;
        for (place, u) in &bar.parts {
            let share = u * u / squares;
            let to = from + share * bar.total;
            let (left, right) = (panel.at(from, 0.0).0, panel.at(to, 0.0).0);
            let figure = self.v.figure(&significant(u.abs(), 2));
            let group = canvas::Group {
                injector: None,
                says: fill(
                    self.v.words.budget_part,
                    &[&self.components[*place], &figure, unit],
                ),
            };
            canvas.group(group, |canvas| {
                canvas.tint(
                    (left, top),
                    (right, bottom),
                    colour::series(*place),
                    tint(*place),
                );
            });
            canvas.line(&[(right, top), (right, bottom)], 1.0, PAPER);
            if right - left > 14.0 {
                let number = Type {
                    size: 11.0,
                    ..body(Align::Middle)
                };
                let at = ((left + right) / 2.0, (top + bottom) / 2.0);
                canvas.text(at, &(place + 1).to_string(), number);
            }
            from = to;
        }
        let end = panel.at(from, 0.0).0;
        let frame = [
            (panel.across[0], top),
            (end, top),
            (end, bottom),
            (panel.across[0], bottom),
        ];
        canvas.line(
            &[frame[0], frame[1], frame[2], frame[3], frame[0]],
            0.5,
            INK,
        );
    }
}

/// Neighbours differ in strength as well, for paper without colour.
fn tint(place: usize) -> f64 {
    if place.is_multiple_of(2) { 0.42 } else { 0.16 }
}

/// The place of a component in the key, which gets it where it is new.
fn place(components: &mut Vec<String>, row: &BudgetRow) -> usize {
    let name = format!("{} ({:?})", visible(&row.component), row.kind);
    match components.iter().position(|c| *c == name) {
        Some(place) => place,
        None => {
            components.push(name);
            components.len() - 1
        }
    }
}

/// Length: the standard uncertainties together, as independent ones add.
fn bar(sweep: &SweepFit, places: &[usize], of: fn(&BudgetRow) -> f64) -> Bar {
    let parts: Vec<(usize, f64)> = places
        .iter()
        .zip(&sweep.budget)
        .map(|(place, row)| (*place, of(row)))
        .collect();
    Bar {
        total: parts.iter().map(|(_, u)| u * u).sum::<f64>().sqrt(),
        parts,
    }
}
