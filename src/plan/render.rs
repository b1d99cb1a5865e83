//! The plan as text for the terminal.

use std::fmt::Write;

use super::after::{Next, Standing, SweepNext};
use super::result::{HabitComparison, Plan};
use crate::finding::visible;
use crate::units::significant;

/// A duration as a person says it.
pub(super) fn duration(seconds: f64) -> String {
    let minutes = (seconds / 60.0).round();
    if minutes < 120.0 {
        format!("{minutes:.0} min")
    } else {
        format!(
            "{:.0} h {:02.0} min",
            (minutes / 60.0).floor(),
            minutes % 60.0
        )
    }
}

/// The plan in words and tables, what to do next at the end.
pub fn text(plan: &Plan) -> String {
    let mut out = String::new();
    // Writing to a String cannot fail.
    let _ = write(&mut out, plan);
    out
}

fn write(out: &mut String, plan: &Plan) -> std::fmt::Result {
    let p = &plan.predicted;
    let worst = if plan.conditions.len() > 1 {
        " at the worst condition"
    } else {
        ""
    };
    writeln!(
        out,
        "Planned: {} readings, {} at the bench. Promised{worst}: dead time ±{} µs, flow ±{} % (95 %).",
        plan.readings.len(),
        duration(p.bench_time_s),
        significant(p.dead_time_half_width_us, 2),
        significant(p.flow_half_width_percent, 2)
    )?;
    writeln!(out, "c-optimal for: {}.\n", plan.optimal_for)?;
    writeln!(
        out,
        "   V    kPa  readings     time  period ms  line range ms  dead time us  flow %"
    )?;
    for c in &plan.conditions {
        writeln!(
            out,
            "{:>4}  {:>5}  {:>8}  {:>7}  {:>9}  {:>13}  {:>12}  {:>6}",
            c.voltage_v,
            c.pressure_kpa,
            c.readings,
            duration(c.time_s),
            c.period_ms,
            format!("{}..{}", c.line_range_ms[0], c.line_range_ms[1]),
            format!("±{}", significant(c.dead_time_half_width_us, 2)),
            format!("±{}", significant(c.flow_half_width_percent, 2))
        )?;
    }
    readings(out, plan)?;
    if let Some(habit) = &plan.habit {
        against_habit(out, habit)?;
    }
    writeln!(out, "\nTaken for granted:")?;
    for line in &plan.assumed {
        writeln!(out, "  {line}")?;
    }
    writeln!(out, "\nCautions:")?;
    for line in &plan.cautions {
        writeln!(out, "  {line}")?;
    }
    writeln!(
        out,
        "\nNext: write the sheet with -o plan.csv, fill in what is read, then `meniscus fit plan.csv`."
    )
}

fn readings(out: &mut String, plan: &Plan) -> std::fmt::Result {
    writeln!(
        out,
        "\norder  injector     V    kPa  pulse ms   pulses  period ms  repeat  expected"
    )?;
    for r in &plan.readings {
        let unit = if r.unit == "mg" { "g" } else { "mL" };
        let rest = if r.rest_s >= 1.0 {
            format!("  wait {:.0} s", r.rest_s)
        } else {
            String::new()
        };
        writeln!(
            out,
            "{:>5}  {:<10} {:>4}  {:>5}  {:>8}  {:>7}  {:>9}  {:>6}  {:>5} {unit}{}{rest}",
            r.order,
            visible(&r.injector),
            r.voltage_v,
            r.pressure_kpa,
            r.pulse_width_ms,
            r.pulses,
            r.period_ms,
            r.repeat,
            significant(r.expected / 1000.0, 2),
            if r.control { "  control" } else { "" }
        )?;
    }
    Ok(())
}

fn against_habit(out: &mut String, habit: &HabitComparison) -> std::fmt::Result {
    let h = &habit.predicted;
    writeln!(
        out,
        "\nAgainst habit ({}):\n  {} readings, {}: dead time ±{} µs, flow ±{} %.",
        habit.what,
        habit.readings,
        duration(h.bench_time_s),
        significant(h.dead_time_half_width_us, 2),
        significant(h.flow_half_width_percent, 2)
    )?;
    match habit.same_doubt_time_s {
        Some(time) => writeln!(
            out,
            "  A planned run of the same doubt takes {}: {:.0} % of the time.",
            duration(time),
            100.0 * time / h.bench_time_s
        )?,
        None => writeln!(out, "  No planned run of the same doubt was found.")?,
    }
    if let Some(same) = &habit.same_time {
        writeln!(
            out,
            "  A planned run of the same time gives dead time ±{} µs, flow ±{} %.",
            significant(same.dead_time_half_width_us, 2),
            significant(same.flow_half_width_percent, 2)
        )?;
    }
    Ok(())
}

/// What to read next, in words and a table.
pub fn after_text(next: &Next) -> String {
    let mut out = String::new();
    // Writing to a String cannot fail.
    let _ = write_next(&mut out, next);
    out
}

fn write_next(out: &mut String, next: &Next) -> std::fmt::Result {
    for sweep in &next.sweeps {
        write_sweep(out, sweep)?;
        let same = |r: &&super::after::NextReading| {
            r.injector == sweep.injector
                && r.stage == sweep.stage
                && r.voltage_v == sweep.voltage_v
                && r.pressure_kpa == sweep.pressure_kpa
        };
        let mut header = true;
        for r in next.readings.iter().filter(same) {
            if header {
                writeln!(
                    out,
                    "  next  pulse ms   pulses  period ms  repeat     time  then dead time us  flow %"
                )?;
                header = false;
            }
            let period = r
                .period_ms
                .map_or("as before".to_owned(), |p| p.to_string());
            writeln!(
                out,
                "  {:>4}  {:>8}  {:>7}  {:>9}  {:>6}  {:>7}  {:>17}  {:>6}",
                r.order,
                r.pulse_width_ms,
                r.pulses,
                period,
                r.repeat,
                format!("{:.0} s", r.time_s),
                format!("±{}", significant(r.dead_time_half_width_us, 2)),
                format!("±{}", significant(r.flow_half_width_percent, 2))
            )?;
        }
        writeln!(out)?;
    }
    let helps = |s: &SweepNext| matches!(s.standing, Standing::WithinReach | Standing::NotYet);
    if next.readings.is_empty() && next.sweeps.iter().any(helps) {
        writeln!(out, "Next: no reading fits into the time; allow more.")
    } else if next.readings.is_empty() {
        writeln!(
            out,
            "Next: nothing more to read; `meniscus fit` prints the figures."
        )
    } else {
        writeln!(
            out,
            "Next: take them from the top ({} in all), add them to the capture, and ask again.",
            duration(next.predicted.bench_time_s)
        )
    }
}

fn write_sweep(out: &mut String, sweep: &SweepNext) -> std::fmt::Result {
    let mut name = visible(&sweep.injector);
    for part in [
        sweep.stage.as_deref().map(visible),
        sweep.voltage_v.map(|v| format!("{v} V")),
        sweep.pressure_kpa.map(|p| format!("{p} kPa")),
    ]
    .into_iter()
    .flatten()
    {
        name.push_str(", ");
        name.push_str(&part);
    }
    let [lo, hi] = sweep.line_range_ms;
    writeln!(
        out,
        "{name}: now dead time ±{} µs, flow ±{} % over {lo}..{hi} ms.",
        significant(sweep.dead_time_half_width_us, 2),
        significant(sweep.flow_half_width_percent, 2)
    )?;
    let component = sweep.largest_component.as_deref().unwrap_or("not known");
    let kind = if sweep.shared {
        ", shared by all readings"
    } else {
        ""
    };
    let advice = sweep.advice.map_or(String::new(), |a| format!("; {a}"));
    match sweep.standing {
        Standing::Reached => writeln!(out, "  Stop: what is wanted is reached."),
        Standing::WithinReach => writeln!(out, "  The readings below reach what is wanted."),
        Standing::NotYet => writeln!(
            out,
            "  The readings below help. Largest part of the doubt: {component}{kind}{advice}."
        ),
        Standing::NoMoreToGain => writeln!(
            out,
            "  Stop: more readings cannot reach what is wanted. Largest part of the doubt: {component}{kind}{advice}."
        ),
    }
}
