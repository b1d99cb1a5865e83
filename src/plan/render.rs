//! The plan as text for the terminal.

use std::fmt::Write;

use super::result::{HabitComparison, Plan};
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
        "Planned: {} readings, {} at the bench. Promised{worst}: dead time ±{} us, flow ±{} % (95 %).",
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
            r.injector,
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
        "\nAgainst habit ({}):\n  {} readings, {}: dead time ±{} us, flow ±{} %.",
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
            "  A planned run of the same time gives dead time ±{} us, flow ±{} %.",
            significant(same.dead_time_half_width_us, 2),
            significant(same.flow_half_width_percent, 2)
        )?;
    }
    Ok(())
}
