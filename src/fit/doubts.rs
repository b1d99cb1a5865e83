//! What a fitted sweep makes one doubt, from its own figures.

use serde_json::json;

use super::core::{Core, DoubtedDeadTime};
use super::describe::Told;
use super::prepared::holds;
use super::{BudgetRow, FitOptions, Model, Scale, SweepFit};
use crate::capture::Reading;
use crate::finding::{Finding, Kind};
use crate::units::significant;

/// Chance below which a lack of fit is told.
const LACK_OF_FIT_P: f64 = 0.01;
/// Share of the variance from which one component dominates.
const DOMINATES: f64 = 0.5;
/// Difference of static and dynamic flow that is told, percent. Common practice, no source.
const STATIC_DIFFERENCE_PERCENT: f64 = 2.0;

/// What is noticed about a sweep. Where only the kinds are wanted nothing is worded: words
/// take longer than the fit of a line.
pub(super) struct Noticed {
    /// Kinds in the order of notice.
    pub kinds: Vec<Kind>,
    /// The same as findings, where words are wanted.
    pub worded: Option<Vec<Finding>>,
}

impl Noticed {
    /// Nothing so far.
    pub fn nothing(worded: bool) -> Self {
        Self {
            kinds: Vec::new(),
            worded: worded.then(Vec::new),
        }
    }

    fn push(&mut self, kind: Kind, word: impl FnOnce(Kind) -> Finding) {
        self.kinds.push(kind);
        if let Some(findings) = &mut self.worded {
            findings.push(word(kind));
        }
    }
}

/// Notices what is doubtful about a described sweep.
pub(super) fn gather(
    told: &Told<'_>,
    dead_time: &DoubtedDeadTime,
    fit: &SweepFit,
    options: &FitOptions,
    noticed: &mut Noticed,
) {
    dead_time_doubts(told, dead_time, noticed);
    lack_of_fit(told, fit, noticed);
    few_widths(told, noticed);
    repeats(told, fit, noticed);
    readings(told, fit, options, noticed);
    set_points(told, noticed);
    offset(told, fit, noticed);
    static_flow(told, fit, noticed);
    largest_doubt(told, fit, noticed);
}

fn dead_time_doubts(told: &Told<'_>, dead_time: &DoubtedDeadTime, noticed: &mut Noticed) {
    let place = || told.prepared.sweep.place(told.prepared.source);
    if dead_time.doubted.value < 0.0 {
        noticed.push(Kind::NegativeDeadTime, |kind| {
            Finding::new(kind, place(), &[("value", json!(dead_time.doubted.value))])
        });
    }
    if let Some(set) = &dead_time.open_set {
        noticed.push(Kind::DeadTimeUnbounded, |kind| {
            Finding::new(kind, place(), &[("set", json!(set))])
        });
    }
}

fn lack_of_fit(told: &Told<'_>, fit: &SweepFit, noticed: &mut Noticed) {
    let Some(test) = fit.lack_of_fit.as_ref().filter(|t| t.p < LACK_OF_FIT_P) else {
        return;
    };
    // A curve follows the bend; only a line is worse for it.
    if fit.model == Model::Curve {
        return;
    }
    let [lo, hi] = fit.line_range_ms.unwrap_or([f64::MIN, f64::MAX]);
    let worst = fit
        .linearity_deviation
        .iter()
        .filter(|d| d.pulse_width_ms >= lo && d.pulse_width_ms <= hi)
        .filter_map(|d| d.percent.map(|p| (p, d.pulse_width_ms)))
        .max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()));
    if let Some((percent, width)) = worst {
        noticed.push(Kind::LackOfFit, |kind| {
            Finding::new(
                kind,
                told.prepared.sweep.place(told.prepared.source),
                &[
                    ("f", json!(test.f)),
                    ("p", json!(100.0 * test.p)),
                    ("percent", json!(percent)),
                    ("width", json!(width)),
                ],
            )
        });
    }
}

fn few_widths(told: &Told<'_>, noticed: &mut Noticed) {
    let prepared = told.prepared;
    if let (Some([lo, hi]), [first, .., last]) = (prepared.line_range, &prepared.widths[..])
        && (lo < *first || hi > *last)
    {
        let facts = [
            ("lo", json!(lo)),
            ("hi", json!(hi)),
            ("first", json!(first)),
            ("last", json!(last)),
        ];
        let place = prepared.sweep.place(prepared.source);
        noticed.push(Kind::LineRangeOutside, |kind| {
            Finding::new(kind, place, &facts)
        });
    }
    let inside = |w: &&f64| holds(prepared.line_range, **w);
    let count = prepared.widths.iter().filter(inside).count();
    if count < 3 && prepared.widths.len() >= 3 {
        noticed.push(Kind::LineRangeShort, |kind| {
            Finding::new(
                kind,
                prepared.sweep.place(prepared.source),
                &[("count", json!(count))],
            )
        });
    }
}

fn repeats(told: &Told<'_>, fit: &SweepFit, noticed: &mut Noticed) {
    let prepared = told.prepared;
    let alike = |pair: &[usize]| {
        let [a, b] = [pair[0], pair[1]].map(|i| &prepared.sweep.readings[i]);
        a.pulse_width_ms == b.pulse_width_ms && a.pulses == b.pulses
    };
    let place = || prepared.sweep.place(prepared.source);
    if !prepared.by_width.windows(2).any(alike) {
        noticed.push(Kind::NoRepeats, |kind| Finding::new(kind, place(), &[]));
    } else if fit.model == Model::Line && fit.scale == Scale::Stated && prepared.by_width.len() > 2
    {
        noticed.push(Kind::ZeroScatter, |kind| Finding::new(kind, place(), &[]));
    }
}

/// Readings set aside, suspected or left out by hand.
fn readings(told: &Told<'_>, fit: &SweepFit, options: &FitOptions, noticed: &mut Noticed) {
    let prepared = told.prepared;
    let unit = prepared.sweep.basis.amount_unit().word();
    let at = |i: usize| {
        let mut place = prepared.sweep.place(prepared.source);
        place.line = Some(prepared.sweep.readings[i].line);
        place.pulse_width_ms = Some(prepared.sweep.readings[i].pulse_width_ms);
        place
    };
    for outlier in &told.core.outliers {
        let kind = if outlier.set_aside {
            Kind::ReadingSetAside
        } else {
            Kind::ReadingSuspect
        };
        let reading = &prepared.sweep.readings[outlier.index];
        noticed.push(kind, |kind| {
            Finding::new(
                kind,
                at(outlier.index),
                &[
                    ("delivered", json!(reading.delivered)),
                    ("size", json!(outlier.size)),
                    ("unit", json!(unit)),
                    (
                        "cause",
                        json!(likely_cause(told, outlier.index, outlier.size)),
                    ),
                    ("source", json!(prepared.source)),
                    ("line", json!(reading.line)),
                ],
            )
        });
    }
    for point in &fit.points {
        let by_hand = |d: &super::DroppedRow| d.line == point.line && d.names(&point.source);
        if options.dropped.iter().any(by_hand)
            && let Some(i) = prepared
                .sweep
                .readings
                .iter()
                .position(|r| r.line == point.line)
        {
            noticed.push(Kind::ReadingDropped, |kind| Finding::new(kind, at(i), &[]));
        }
    }
}

/// Readings that were taken off their set point and carried to it.
fn set_points(told: &Told<'_>, noticed: &mut Noticed) {
    let sweep = told.prepared.sweep;
    let farthest = |set: Option<f64>, actual: fn(&Reading) -> Option<f64>| {
        let off = sweep
            .readings
            .iter()
            .filter_map(|r| Some((actual(r)? - set?).abs()));
        off.fold(0.0, f64::max)
    };
    for (deviation, unit) in [
        (
            farthest(sweep.pressure_kpa, |r| r.pressure_actual_kpa),
            "kPa",
        ),
        (farthest(sweep.voltage_v, |r| r.voltage_actual_v), "V"),
    ] {
        if deviation > 0.0 {
            noticed.push(Kind::SetPointDeviation, |kind| {
                Finding::new(
                    kind,
                    sweep.place(told.prepared.source),
                    &[("deviation", json!(deviation)), ("unit", json!(unit))],
                )
            });
        }
    }
}

/// What usually makes a reading that far off.
fn likely_cause(told: &Told<'_>, index: usize, size: f64) -> String {
    let prepared = told.prepared;
    let reading = &prepared.sweep.readings[index];
    let expected = reading.delivered - size;
    if let Some(division) = prepared.instrument.division {
        for divisions in [10.0, 5.0, 20.0, 50.0, 100.0] {
            if (size.abs() - divisions * division).abs() <= 0.3 * division * (divisions / 5.0) {
                return format!("Close to {divisions} divisions: a misread scale?");
            }
        }
    }
    if expected > 0.0 {
        let ratio = reading.delivered / expected;
        for (factor, words) in [
            (0.5, "half"),
            (2.0, "twice"),
            (0.1, "a tenth of"),
            (10.0, "ten times"),
        ] {
            if (ratio / factor - 1.0).abs() < 0.03 {
                return format!("About {words} what is expected: miscounted pulses?");
            }
        }
    }
    if size < 0.0 {
        "A bubble, a leak or an early stop?"
    } else {
        "A late stop or a vessel not emptied?"
    }
    .to_owned()
}

/// Where the reading offset is most of the doubt, or is not in the doubt at all.
fn offset(told: &Told<'_>, fit: &SweepFit, noticed: &mut Noticed) {
    let place = || told.prepared.sweep.place(told.prepared.source);
    let instrument = &told.prepared.instrument;
    let unit = told.prepared.sweep.basis.amount_unit().word();
    let Some(curve) = &told.core.curve else {
        noticed.push(Kind::OffsetNotInLine, |kind| {
            Finding::new(
                kind,
                place(),
                &[
                    ("offset", json!(instrument.offset_uncertainty)),
                    ("unit", json!(unit)),
                    ("us", json!(offset_effect_us(told, &told.core))),
                ],
            )
        });
        return;
    };
    let amount = |x: f64| format!("{} {unit}", significant(x, 3));
    if !instrument.division_stated {
        let division = instrument
            .division
            .map_or("not apparent".to_owned(), amount);
        noticed.push(Kind::BenchNotStated, |kind| {
            Finding::new(
                kind,
                place(),
                &[
                    ("division", json!(division)),
                    ("offset", json!(amount(instrument.offset_uncertainty))),
                ],
            )
        });
    } else if !instrument.offset_stated {
        noticed.push(Kind::OffsetAssumed, |kind| {
            Finding::new(
                kind,
                place(),
                &[("offset", json!(amount(instrument.offset_uncertainty)))],
            )
        });
    }
    if curve.offset.dead_time_share > DOMINATES
        && let Some(now) = fit.dead_time.as_ref().and_then(|x| x.half_width())
    {
        // Knowing the offset to a third leaves a ninth of its variance.
        let then = now * (1.0 - curve.offset.dead_time_share * 8.0 / 9.0).sqrt();
        noticed.push(Kind::OffsetDominatesDeadTime, |kind| {
            Finding::new(
                kind,
                place(),
                &[
                    (
                        "share",
                        json!((100.0 * curve.offset.dead_time_share).round()),
                    ),
                    ("now", json!(now)),
                    ("then", json!(then)),
                ],
            )
        });
    }
    if curve.offset.slope_share > DOMINATES {
        noticed.push(Kind::OffsetDominatesFlow, |kind| {
            Finding::new(
                kind,
                place(),
                &[("share", json!((100.0 * curve.offset.slope_share).round()))],
            )
        });
    }
}

/// How far an offset of one standard uncertainty moves the dead time, µs: by
/// offset over pulses and slope at the median count (the larger of two).
fn offset_effect_us(told: &Told<'_>, core: &Core) -> f64 {
    let mut counts: Vec<f64> = told
        .prepared
        .used()
        .map(|i| told.prepared.sweep.readings[i].pulses)
        .collect();
    counts.sort_by(f64::total_cmp);
    let median = counts.get(counts.len() / 2).copied().unwrap_or(1.0);
    1000.0 * (told.prepared.instrument.offset_uncertainty / (median * core.slope)).abs()
}

fn static_flow(told: &Told<'_>, fit: &SweepFit, noticed: &mut Noticed) {
    let (Some(held), Some(slope)) = (&fit.static_flow, &fit.slope) else {
        return;
    };
    let percent = 100.0 * (held.value / slope.value - 1.0);
    if percent.abs() > STATIC_DIFFERENCE_PERCENT {
        noticed.push(Kind::StaticDiffers, |kind| {
            Finding::new(
                kind,
                told.prepared.sweep.place(told.prepared.source),
                &[("percent", json!(percent))],
            )
        });
    }
}

/// Names the two largest components of the dead time's doubt and what would reduce them.
fn largest_doubt(told: &Told<'_>, fit: &SweepFit, noticed: &mut Noticed) {
    let mut rows: Vec<&BudgetRow> = fit.budget.iter().filter(|r| r.dead_time_us > 0.0).collect();
    rows.sort_by(|a, b| b.dead_time_us.total_cmp(&a.dead_time_us));
    if let [first, second, ..] = rows[..] {
        noticed.push(Kind::LargestDoubt, |kind| {
            Finding::new(
                kind,
                told.prepared.sweep.place(told.prepared.source),
                &[
                    ("first", json!(first.component)),
                    ("first_us", json!(first.dead_time_us)),
                    ("second", json!(second.component)),
                    ("second_us", json!(second.dead_time_us)),
                    ("reduce", json!(remedy(&first.component))),
                ],
            )
        });
    }
}

/// What reduces a component of the budget.
fn remedy(component: &str) -> &'static str {
    match component {
        "reading offset" => {
            "vary the fill level threefold between widths, or measure the offset and state it"
        }
        "vessel tolerance" => "calibrate the vessel by weighing, or use one of a better class",
        "pressure" => "calibrate the gauge and state its uncertainty",
        "supply voltage" => "measure the voltage at the injector",
        "shape of the delivery curve" => "run more widths near the short end of the line range",
        "choice among curves and scatters" => {
            "run more widths near the short end of the line range, and more repeats"
        }
        "repeatability" => "repeat readings",
        _ => "use more pulses, a finer division, or more repeats",
    }
}
