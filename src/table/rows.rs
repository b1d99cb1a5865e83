//! Rows of each shape.

use super::conditions::Scaling;
use super::make::TableError;
use super::request::{Of, Request, Row};
use super::segments::fit_two_segments;
use crate::surface::{Figure, InjectorSurface, Query, SurfaceError};
use crate::units::Unit;

/// Pulse widths where neither the request nor the file has any: steps of equal ratio.
const DEFAULT_WIDTHS: usize = 10;
/// Points of a curve to which two lines are fitted.
const CURVE_POINTS: usize = 120;

/// One injector, or the mean of several.
pub(super) struct Member<'a> {
    name: String,
    surfaces: Vec<&'a InjectorSurface>,
    scaling: &'a Scaling,
    measured_widths: &'a [f64],
}

type Answer = Result<Figure, SurfaceError>;

impl<'a> Member<'a> {
    pub fn new(
        name: &str,
        surfaces: Vec<&'a InjectorSurface>,
        scaling: &'a Scaling,
        measured_widths: &'a [f64],
    ) -> Self {
        Self {
            name: name.to_owned(),
            surfaces,
            scaling,
            measured_widths,
        }
    }

    fn mean(&self, ask: impl Fn(&InjectorSurface) -> Answer) -> Answer {
        let mut figures: Vec<Figure> = self
            .surfaces
            .iter()
            .map(|s| ask(s))
            .collect::<Result<_, _>>()?;
        if figures.len() == 1 {
            return Ok(figures.remove(0));
        }
        Ok(Figure::mean(&figures).expect("a member holds at least one surface"))
    }

    fn dead_time(&self, query: &Query) -> Answer {
        self.mean(|s| s.dead_time(query))
    }

    fn slope(&self, query: &Query) -> Answer {
        Ok(self.scaling.apply(self.mean(|s| s.slope(query))?))
    }

    fn delivered(&self, query: &Query, width: f64) -> Answer {
        Ok(self
            .scaling
            .apply(self.mean(|s| s.delivered(query, width))?))
    }

    fn pulse_width(&self, query: &Query, quantity: f64) -> Answer {
        let width = self.mean(|s| s.pulse_width(query, quantity / self.scaling.factor))?;
        let flow = self.slope(query)?.value;
        Ok(self.scaling.widen_width(width, quantity, flow))
    }

    /// Widths inside what every surface measured here.
    fn width_range(&self, query: &Query) -> Result<[f64; 2], SurfaceError> {
        let mut range = [f64::MIN, f64::MAX];
        for surface in &self.surfaces {
            let [lo, hi] = surface.width_range(query)?;
            range = [range[0].max(lo), range[1].min(hi)];
        }
        Ok(range)
    }

    /// Widths as asked for, else as measured, else steps; those by default only
    /// where they can be answered.
    fn widths(&self, request: &Request, query: &Query) -> Result<Vec<f64>, TableError> {
        if !request.pulse_widths_ms.is_empty() {
            return Ok(request.pulse_widths_ms.clone());
        }
        let [lo, hi] = self.width_range(query)?;
        let mut list: Vec<f64> = self
            .measured_widths
            .iter()
            .copied()
            .filter(|w| *w >= lo - 1e-9 && *w <= hi + 1e-9)
            .collect();
        if list.is_empty() && lo < hi {
            list = steps(lo, hi, DEFAULT_WIDTHS);
        }
        if list.is_empty() {
            return Err(TableError::NoWidth {
                condition: condition(query),
            });
        }
        Ok(list)
    }

    fn row(&self, query: &Query, figure: &Figure, unit: Unit) -> Row {
        let estimate = figure.estimate(unit);
        Row {
            injector: self.name.clone(),
            voltage_v: query.voltage_v,
            pressure_kpa: query.pressure_kpa,
            pulse_width_ms: None,
            quantity: None,
            quantity_unit: None,
            part: None,
            value: Some(estimate.value),
            unit,
            standard_uncertainty: estimate.standard_uncertainty,
            interval_95: estimate.interval_95,
            extrapolated: figure.extrapolated,
        }
    }
}

/// Widths in steps of equal ratio, ends included.
fn steps(lo: f64, hi: f64, count: usize) -> Vec<f64> {
    (0..count)
        .map(|i| lo * (hi / lo).powf(i as f64 / (count - 1) as f64))
        .collect()
}

fn condition(query: &Query) -> String {
    let volts = query.voltage_v.map_or(String::new(), |v| format!("{v} V "));
    let kpa = query
        .pressure_kpa
        .map_or(String::new(), |p| format!("{p} kPa"));
    format!("{volts}{kpa}").trim_end().to_owned()
}

/// All rows of one member.
pub(super) fn rows_of(member: &Member, request: &Request) -> Result<Vec<Row>, TableError> {
    let mut rows = Vec::new();
    for query in queries(member, request) {
        match request.of {
            Of::DeadTime => {
                let x = member.dead_time(&query)?;
                rows.push(member.row(&query, &x, Unit::Millisecond));
            }
            Of::Flow => rows.push(flow_row(member, request, &query)?),
            Of::Delivered => {
                for width in member.widths(request, &query)? {
                    let q = member.delivered(&query, width)?;
                    let unit = member.scaling.basis.amount_unit();
                    rows.push(at_width(member.row(&query, &q, unit), width));
                }
            }
            Of::Deviation => rows.extend(deviation_rows(member, request, &query)?),
            Of::PulseWidth => rows.extend(pulse_width_rows(member, request, &query)?),
            Of::AddedTime => rows.extend(added_time_rows(member, request, &query)?),
            Of::TwoSegments => rows.extend(segment_rows(member, request, &query)?),
        }
    }
    Ok(rows)
}

fn at_width(row: Row, width: f64) -> Row {
    Row {
        pulse_width_ms: Some(width),
        ..row
    }
}

/// Every voltage at every pressure, as asked for or as measured.
fn queries(member: &Member, request: &Request) -> Vec<Query> {
    let first = member.surfaces[0];
    let axis = |asked: &[f64], measured: &[f64]| -> Vec<Option<f64>> {
        let list = if asked.is_empty() { measured } else { asked };
        if list.is_empty() {
            vec![None]
        } else {
            list.iter().map(|x| Some(*x)).collect()
        }
    };
    let voltages = axis(&request.voltages_v, first.voltages_v());
    let reference: Vec<f64> = request
        .reference
        .iter()
        .filter_map(|r| r.pressure_kpa)
        .collect();
    let asked = if request.pressures_kpa.is_empty() {
        &reference
    } else {
        &request.pressures_kpa
    };
    let pressures = axis(asked, first.pressures_kpa());
    // A reference pressure is itself the wish to carry flow there by the orifice law.
    let carried = request.of == Of::Flow && !reference.is_empty();
    let inside = |v: Option<f64>| {
        let axis = first.voltages_v();
        v.is_none_or(|v| {
            axis.first().is_some_and(|lo| v >= *lo) && axis.last().is_some_and(|hi| v <= *hi)
        })
    };
    pressures
        .iter()
        .flat_map(|p| voltages.iter().map(move |v| (*v, *p)))
        .map(|(voltage_v, pressure_kpa)| Query {
            voltage_v,
            pressure_kpa,
            extrapolate: request.extrapolate || (carried && inside(voltage_v)),
        })
        .collect()
}

fn flow_row(member: &Member, request: &Request, query: &Query) -> Result<Row, TableError> {
    let slope = member.slope(query)?;
    let (unit, per_inner) = match request.flow_unit {
        Some(unit) => (unit.unit(), unit.per_inner()),
        None => (member.scaling.basis.flow_unit(), 1.0),
    };
    Ok(member.row(query, &slope.times(per_inner, 0.0, ""), unit))
}

/// Percent off the line at each pulse width, or at the pulse width of each quantity.
fn deviation_rows(
    member: &Member,
    request: &Request,
    query: &Query,
) -> Result<Vec<Row>, TableError> {
    let (slope, dead) = (member.slope(query)?, member.dead_time(query)?);
    let mut points: Vec<(f64, Option<f64>)> = Vec::new();
    if request.quantities.is_empty() {
        points.extend(
            member
                .widths(request, query)?
                .into_iter()
                .map(|w| (w, None)),
        );
    } else {
        for quantity in &request.quantities {
            points.push((member.pulse_width(query, *quantity)?.value, Some(*quantity)));
        }
    }
    let mut rows = Vec::new();
    for (width, quantity) in points {
        let q = member.delivered(query, width)?;
        let line = slope.value * (width - dead.value);
        // The line and the curve come from the same readings; the doubt given is
        // that of the delivered quantity itself, in percent of the line.
        let row = if line > 0.0 {
            let mut percent = q.times(100.0 / line, 0.0, "");
            percent.value -= 100.0;
            percent.interval_95 = None;
            member.row(query, &percent, Unit::Percent)
        } else {
            Row {
                value: None,
                standard_uncertainty: None,
                interval_95: [None, None],
                ..member.row(query, &q, Unit::Percent)
            }
        };
        rows.push(Row {
            quantity,
            quantity_unit: quantity.map(|_| member.scaling.basis.amount_unit()),
            ..at_width(row, width)
        });
    }
    Ok(rows)
}

/// The pulse width of each wanted quantity: those asked for, else what the straight
/// line promises at each pulse width asked for, else round quantities in steps.
fn pulse_width_rows(
    member: &Member,
    request: &Request,
    query: &Query,
) -> Result<Vec<Row>, TableError> {
    let wanted: Vec<(f64, Option<f64>)> = if !request.quantities.is_empty() {
        request.quantities.iter().map(|q| (*q, None)).collect()
    } else if !request.pulse_widths_ms.is_empty() {
        let (slope, dead) = (member.slope(query)?, member.dead_time(query)?);
        let line = |w: f64| slope.value * (w - dead.value);
        request
            .pulse_widths_ms
            .iter()
            .map(|w| (line(*w), Some(*w)))
            .filter(|(q, _)| *q > 0.0)
            .collect()
    } else {
        round_quantities(member, request)?
            .into_iter()
            .map(|q| (q, None))
            .collect()
    };
    let mut rows = Vec::new();
    for (quantity, width) in wanted {
        let w = member.pulse_width(query, quantity)?;
        rows.push(Row {
            pulse_width_ms: width,
            quantity: Some(quantity),
            quantity_unit: Some(member.scaling.basis.amount_unit()),
            ..member.row(query, &w, Unit::Millisecond)
        });
    }
    Ok(rows)
}

/// Quantities of two digits, in steps of about equal ratio, that every condition of
/// the request delivers within its measured widths.
fn round_quantities(member: &Member, request: &Request) -> Result<Vec<f64>, TableError> {
    round_steps(member, request, |member, query, width| {
        Ok(member.delivered(query, width)?.value)
    })
}

/// Round numbers that lie inside `figure` of the shortest and of the longest width
/// at every condition of the request.
fn round_steps(
    member: &Member,
    request: &Request,
    figure: impl Fn(&Member, &Query, f64) -> Result<f64, SurfaceError>,
) -> Result<Vec<f64>, TableError> {
    let (mut least, mut most) = (0.0_f64, f64::INFINITY);
    // A quantity that the mean delivers must be one that each injector delivers.
    for surface in &member.surfaces {
        let each = Member::new("", vec![surface], member.scaling, member.measured_widths);
        for query in queries(member, request) {
            let [lo, hi] = each.width_range(&query)?;
            least = least.max(figure(&each, &query, lo)?);
            most = most.min(figure(&each, &query, hi)?);
        }
    }
    // Below a thirtieth of the most there is little but doubt.
    let least = least.max(most / 30.0);
    let mut list: Vec<f64> = steps(least, most, DEFAULT_WIDTHS)
        .into_iter()
        .map(|x| {
            // Divided by a power of ten rather than multiplied: 0.58, not 0.5800000000000001.
            let per_unit = 10f64.powi(1 - x.log10().floor() as i32);
            (x * per_unit).round() / per_unit
        })
        .filter(|x| *x > least && *x < most)
        .collect();
    list.dedup();
    Ok(list)
}

/// Time to add to net pulse width plus dead time. Its doubt is that of the whole
/// command: dead time and added time are drawn from one curve.
fn added_time_rows(
    member: &Member,
    request: &Request,
    query: &Query,
) -> Result<Vec<Row>, TableError> {
    let (slope, dead) = (member.slope(query)?, member.dead_time(query)?);
    let nets = if request.pulse_widths_ms.is_empty() {
        round_steps(member, request, |member, query, width| {
            Ok(member.delivered(query, width)?.value / member.slope(query)?.value)
        })?
    } else {
        request.pulse_widths_ms.clone()
    };
    let mut rows = Vec::new();
    for net in nets {
        let mut added = member.pulse_width(query, slope.value * net)?;
        let shift = dead.value + net;
        added.value -= shift;
        added.interval_95 = added
            .interval_95
            .map(|sides| sides.map(|side| side.map(|x| x - shift)));
        rows.push(at_width(member.row(query, &added, Unit::Millisecond), net));
    }
    Ok(rows)
}

/// Two lines with a break: their five numbers, then what they cost at each width.
fn segment_rows(member: &Member, request: &Request, query: &Query) -> Result<Vec<Row>, TableError> {
    let [lo, hi] = member.width_range(query)?;
    let widths = steps(lo.max(1e-3), hi, CURVE_POINTS);
    let curve: Vec<Figure> = widths
        .iter()
        .map(|w| member.delivered(query, w.clamp(lo, hi)))
        .collect::<Result<_, _>>()?;
    let quantities: Vec<f64> = curve.iter().map(|q| q.value).collect();
    let fit = fit_two_segments(&widths, &quantities).ok_or_else(|| TableError::NoWidth {
        condition: condition(query),
    })?;
    let at_break = member.delivered(query, fit.break_ms)?;
    let slope = member.slope(query)?;
    let dead = member.dead_time(query)?;
    let amount = member.scaling.basis.amount_unit();
    let (flow, per_inner) = match request.flow_unit {
        Some(unit) => (unit.unit(), unit.per_inner()),
        None => (member.scaling.basis.flow_unit(), 1.0),
    };
    let first = widths
        .iter()
        .zip(&curve)
        .find(|(_, q)| q.value > 0.0)
        .map_or((lo, &curve[0]), |(w, q)| (*w, q));
    // The two ends' doubts as if they were unrelated: never too small.
    let below = first
        .1
        .standard_uncertainty()
        .zip(at_break.standard_uncertainty())
        .map(|(a, b)| a.hypot(b) / (fit.break_ms - first.0).abs().max(1e-3));
    let named = |part, value: f64, unit, u: Option<f64>| {
        let figure = Figure {
            value,
            own: u,
            model: 0.0,
            shared: Default::default(),
            degrees_of_freedom: slope.degrees_of_freedom,
            interval_95: None,
            extrapolated: slope.extrapolated,
        };
        Row {
            part: Some(part),
            ..member.row(query, &figure, unit)
        }
    };
    let relative = slope.standard_uncertainty().map(|u| u / slope.value);
    let above = fit.slope_above * per_inner;
    let mut rows = vec![
        named(
            "dead_time",
            fit.dead_time_ms,
            Unit::Millisecond,
            dead.standard_uncertainty(),
        ),
        named("slope_above", above, flow, relative.map(|r| r * above)),
        named(
            "slope_below",
            fit.slope_below * per_inner,
            flow,
            below.map(|u| u * per_inner),
        ),
        named(
            "break_quantity",
            fit.break_quantity,
            amount,
            at_break.standard_uncertainty(),
        ),
        named("break_pulse_width", fit.break_ms, Unit::Millisecond, None),
    ];
    for width in member.widths(request, query)? {
        let q = member.delivered(query, width)?;
        let row = named(
            "cost",
            100.0 * (fit.at(width) / q.value - 1.0),
            Unit::Percent,
            None,
        );
        rows.push(Row {
            value: row.value.filter(|_| q.value > 0.0),
            pulse_width_ms: Some(width),
            extrapolated: q.extrapolated,
            ..row
        });
    }
    Ok(rows)
}
