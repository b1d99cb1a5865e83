//! Dead time against supply voltage and against pressure.

use plotters::style::RGBColor;

use super::key::{Sign, key_height, keys};
use super::{Scene, title};
use crate::plots::Group;
use crate::plots::canvas::{self, Canvas};
use crate::plots::colour;
use crate::plots::dead_time::point_words;
use crate::plots::frame::{Panel, Span, mark_sized};
use crate::plots::text::{condition, shortened, visible};
use crate::units::Interval;
use crate::words::Voice;

const PANEL: f64 = 200.0;
/// The same where all dead times stand at one place.
const LOW: f64 = 110.0;
const FEET: f64 = 50.0;
/// Pixels between series at one place.
const ASIDE: f64 = 9.0;

/// One dead time: voltage, pressure, value, interval, stage in words.
#[derive(Clone)]
struct Value {
    volts: Option<f64>,
    kpa: Option<f64>,
    ms: f64,
    interval: Interval,
}

/// A name, its mark and colour, and what it holds.
struct Series {
    name: String,
    mark: usize,
    colour: RGBColor,
    values: Vec<Value>,
}

/// The two panels.
pub(super) struct Part {
    by_voltage: Vec<Series>,
    by_pressure: Vec<Series>,
    span: Span,
    v: Voice,
}

impl Part {
    /// `None` where no dead time at a stated voltage is known.
    pub fn of(groups: &[Group<'_>], labels: &[String], v: Voice) -> Option<Self> {
        let mut by_voltage: Vec<Series> = Vec::new();
        let mut by_pressure: Vec<Series> = Vec::new();
        let stages: Vec<_> = groups.iter().map(|g| g.stage).collect();
        for (i, group) in groups.iter().enumerate() {
            let values: Vec<Value> = group
                .sweeps
                .iter()
                .filter_map(|s| {
                    let x = s.dead_time.as_ref()?;
                    Some(Value {
                        volts: s.voltage_v,
                        kpa: s.pressure_kpa,
                        ms: x.value,
                        interval: x.interval_95,
                    })
                })
                .collect();
            for value in values.iter().filter(|x| x.kpa.is_some()) {
                let place = labels.iter().position(|l| *l == v.voltage(value.volts));
                let place = place.unwrap_or(0);
                let mut name = labels[place].clone();
                if let (Some(stage), true) = (group.stage, stages.iter().any(|s| *s != stages[0])) {
                    name = format!("{name}, {}", shortened(&visible(stage), 20));
                }
                match by_pressure.iter_mut().find(|s| s.name == name) {
                    Some(one) => one.values.push(value.clone()),
                    None => by_pressure.push(Series {
                        name,
                        mark: place,
                        colour: colour::ramp(place, labels.len()),
                        values: vec![value.clone()],
                    }),
                }
            }
            let values: Vec<Value> = values.into_iter().filter(|x| x.volts.is_some()).collect();
            if !values.is_empty() {
                by_voltage.push(Series {
                    name: condition(group.stage, group.pressure_kpa, v),
                    mark: i,
                    colour: colour::series(i),
                    values,
                });
            }
        }
        // One pressure tells nothing against pressure.
        let pressures = Span::of(
            by_pressure
                .iter()
                .flat_map(|s| &s.values)
                .filter_map(|x| x.kpa),
        );
        if pressures.is_none_or(|p| p.hi - p.lo < 0.5) {
            by_pressure.clear();
        }
        for one in &mut by_pressure {
            let kpa = |x: &Value| x.kpa.unwrap_or(f64::NEG_INFINITY);
            one.values.sort_by(|a, b| kpa(a).total_cmp(&kpa(b)));
        }
        let bounds = by_voltage
            .iter()
            .flat_map(|s| &s.values)
            .flat_map(|x| [Some(x.ms), x.interval[0], x.interval[1]])
            .flatten();
        let span = Span::of(bounds)?.padded(0.07);
        Some(Part {
            by_voltage,
            by_pressure,
            span,
            v,
        })
    }

    fn signs(&self) -> Vec<(String, Sign)> {
        let sign = |s: &Series| (s.name.clone(), Sign::Mark(s.mark, s.colour));
        self.by_voltage.iter().map(sign).collect()
    }

    /// One voltage and one pressure need no tall axis.
    fn panel_height(&self) -> f64 {
        let volts = Span::of(
            self.by_voltage
                .iter()
                .flat_map(|s| &s.values)
                .filter_map(|x| x.volts),
        );
        let one = volts.is_none_or(|s| s.hi - s.lo < 0.05) && self.by_pressure.is_empty();
        if one { LOW } else { PANEL }
    }

    pub fn height(&self) -> f64 {
        24.0 + key_height(&self.signs()) + self.panel_height() + FEET
    }

    pub fn draw(&self, canvas: &Canvas<'_>, top: f64) {
        let words = self.v.words;
        title(canvas, top + 6.0, words.dead_time_axis);
        keys(canvas, top + 26.0, &self.signs());
        let top = top + 18.0 + key_height(&self.signs());
        let columns = if self.by_pressure.is_empty() { 1 } else { 2 };
        let down = [top, top + self.panel_height()];
        let by_voltage = |x: &Value| x.volts;
        let by_pressure = |x: &Value| x.kpa;
        self.panel(
            canvas,
            &self.by_voltage,
            (0, columns),
            down,
            by_voltage,
            words.voltage_axis,
        );
        if columns == 2 {
            let name = words.pressure_axis;
            self.panel(
                canvas,
                &self.by_pressure,
                (1, columns),
                down,
                by_pressure,
                name,
            );
        }
    }

    fn panel(
        &self,
        canvas: &Canvas<'_>,
        series: &[Series],
        (column, columns): (usize, usize),
        down: [f64; 2],
        along: fn(&Value) -> Option<f64>,
        name: &str,
    ) {
        let places = series.iter().flat_map(|s| &s.values).filter_map(along);
        let Some(x) = Span::of(places) else { return };
        let panel = Panel {
            x: x.padded(0.1),
            y: self.span,
            across: Scene::across(column, columns),
            down,
        };
        panel.grid(canvas, 5, column == 0);
        panel.x_ticks(canvas, true);
        panel.x_name(canvas, name);
        for (i, one) in series.iter().enumerate() {
            let aside = (i as f64 - (series.len() as f64 - 1.0) / 2.0)
                * ASIDE.min(60.0 / series.len() as f64);
            let at = |x: &Value| {
                let (column, row) = panel.at(along(x)?, x.ms);
                Some((column + aside, row))
            };
            let path: Vec<_> = one.values.iter().filter_map(at).collect();
            canvas.line(&path, 0.5, one.colour);
            for value in &one.values {
                let Some(at) = at(value) else { continue };
                let condition = (value.volts.unwrap_or_default(), value.kpa);
                let says = point_words(&one.name, condition, value.ms, value.interval, self.v);
                let group = canvas::Group {
                    injector: None,
                    says,
                };
                canvas.group(group, |canvas| {
                    panel.interval(canvas, at.0, value.interval, one.colour);
                    mark_sized(canvas, at, one.mark, one.colour, 4.0);
                });
            }
        }
    }
}
