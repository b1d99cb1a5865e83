//! The table as CSV and as aligned text.

use super::request::{Of, Row, Table};
use crate::capture::guarded;
use crate::finding::visible;
use crate::units::{Estimate, Unit, rounded_pair};

/// Digits of the doubt that decide where a value is rounded.
const DOUBT_DIGITS: i32 = 2;

/// Lines above every table: units, each by its word or its sign, pressure, reading, conditions.
fn heading(table: &Table, name: fn(Unit) -> &'static str) -> Vec<String> {
    let mut units: Vec<&str> = Vec::new();
    for row in &table.rows {
        if !units.contains(&name(row.unit)) {
            units.push(name(row.unit));
        }
    }
    let mut lines = vec![
        format!("{} in {}", table.of.word(), units.join(", ")),
        "pressure: differential (across the injector, not gauge), kPa".to_owned(),
        format!("read as: {}", table.reading),
    ];
    lines.extend(table.conditions.iter().map(|line| visible(line)));
    for surface in &table.surfaces {
        if surface.surface.exponent_assumed && table.of == Of::Flow {
            lines.push(format!(
                "{}: flow taken to go with the square root of pressure (fewer than three pressures were run)",
                visible(&surface.injector)
            ));
        }
    }
    lines
}

/// Value as text, rounded to what its doubt supports; numbers without one to a
/// hundredth of a percent and to a microsecond.
fn shown(row: &Row) -> (String, String) {
    let Some(value) = row.value else {
        return ("-".to_owned(), "-".to_owned());
    };
    let (value, doubt) = match (row.standard_uncertainty, row.unit) {
        (None, Unit::Percent) => (format!("{value:.2}"), None),
        (None, Unit::Millisecond) => (format!("{value:.3}"), None),
        (u, _) => rounded_pair(value, u, DOUBT_DIGITS),
    };
    // -0.00 is a zero.
    let zero = value.chars().all(|c| "-0.".contains(c));
    let value = if zero { value.replace('-', "") } else { value };
    // Where two lines break is a choice, their cost a comparison: neither has a doubt.
    let none = if row.part.is_some() { "-" } else { "unknown" };
    (value, doubt.unwrap_or_else(|| none.to_owned()))
}

fn axis_value(x: Option<f64>) -> String {
    x.map_or(String::new(), |x| format!("{}", (x * 1e6).round() / 1e6))
}

/// A text that stays one cell, and a text, in a spreadsheet.
fn quoted(text: &str) -> String {
    let text = guarded(text);
    if text.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.into_owned()
    }
}

/// The table as CSV: `#` lines above, one row a value; with `uncertainty` three
/// more columns. Values are rounded to what their doubt supports.
pub fn csv(table: &Table, uncertainty: bool) -> String {
    let mut out = String::new();
    for line in heading(table, Unit::word) {
        out.push_str(&format!("# {line}\n"));
    }
    out.push_str(
        "injector,voltage_v,pressure_kpa,pulse_width_ms,quantity,part,value,unit,extrapolated",
    );
    if uncertainty {
        out.push_str(",standard_uncertainty,lower_95,upper_95");
    }
    out.push('\n');
    for row in &table.rows {
        let (value, doubt) = shown(row);
        let blank = |text: String| {
            if text == "-" || text == "unknown" {
                String::new()
            } else {
                text
            }
        };
        let mut cells = vec![
            quoted(&row.injector),
            axis_value(row.voltage_v),
            axis_value(row.pressure_kpa),
            axis_value(row.pulse_width_ms),
            axis_value(row.quantity),
            row.part.unwrap_or_default().to_owned(),
            blank(value),
            row.unit.word().to_owned(),
            (if row.extrapolated { "yes" } else { "no" }).to_owned(),
        ];
        if uncertainty {
            cells.push(blank(doubt));
            for side in row.interval_95 {
                let limit = side.map(|x| rounded_pair(x, row.standard_uncertainty, DOUBT_DIGITS).0);
                cells.push(limit.unwrap_or_default());
            }
        }
        out.push_str(&cells.join(","));
        out.push('\n');
    }
    out
}

/// Where a row stands in the text: block, line, column.
fn place(of: Of, row: &Row) -> (String, String, String) {
    let volts = row.voltage_v.map_or_else(
        || "voltage not stated".to_owned(),
        |v| format!("{} V", axis_value(Some(v))),
    );
    let kpa = row.pressure_kpa.map_or_else(
        || "pressure not stated".to_owned(),
        |p| format!("{} kPa", (p * 100.0).round() / 100.0),
    );
    if matches!(of, Of::DeadTime | Of::Flow) {
        return (visible(&row.injector), volts, kpa);
    }
    let line = match (row.part, row.quantity, row.pulse_width_ms) {
        (Some("cost"), _, Some(w)) => format!("cost at {} ms, %", axis_value(Some(w))),
        (Some(part), _, _) => format!("{part}, {}", row.unit.sign()),
        (None, Some(_), Some(w)) if of == Of::PulseWidth => {
            format!("what the line gives at {} ms", axis_value(Some(w)))
        }
        (None, Some(q), _) => format!(
            "{} {}",
            axis_value(Some(q)),
            row.quantity_unit.map_or("", |unit| unit.sign())
        ),
        (None, None, Some(w)) => format!("{} ms", axis_value(Some((w * 1e4).round() / 1e4))),
        (None, None, None) => String::new(),
    };
    (format!("{}, {kpa}", visible(&row.injector)), line, volts)
}

/// The table as aligned text, one block an injector (and pressure); with
/// `uncertainty` the same again for standard uncertainties. `*` marks values
/// outside what was measured.
pub fn text(table: &Table, uncertainty: bool) -> String {
    let mut out = heading(table, Unit::sign).join("\n");
    out.push('\n');
    blocks(table, &mut out, |row| shown(row).0);
    if uncertainty {
        out.push_str("\nstandard uncertainty of each value above");
        if table.rows.iter().any(|r| r.part.is_some()) {
            out.push_str(" (-: chosen, or compared with the curve)");
        }
        out.push('\n');
        blocks(table, &mut out, |row| shown(row).1);
    }
    for q in &table.quoted {
        let figure = |e: &Option<Estimate>| {
            e.as_ref().map_or_else(
                || "unknown".to_owned(),
                |e| {
                    let (value, doubt) = rounded_pair(e.value, e.half_width(), DOUBT_DIGITS);
                    format!("{value} ± {} {}", doubt.unwrap_or_default(), e.unit.sign())
                },
            )
        };
        out.push_str(&format!(
            "\n{} at {} kPa ({:.1} psi){}: {}, {}, {}",
            visible(&q.injector),
            q.pressure_kpa,
            q.pressure_psi,
            if q.extrapolated { "*" } else { "" },
            figure(&q.cc_per_min),
            figure(&q.g_per_s),
            figure(&q.lb_per_h),
        ));
        match &q.density {
            Some(d) => out.push_str(&format!(" (density {:.4} g/ml)", d.value)),
            None => out.push_str(" (no density stated, so volume and mass are not converted)"),
        }
        if let Some(percent) = q.static_difference_percent {
            out.push_str(&format!("; static flow {percent:+.1} %"));
        }
    }
    if !table.quoted.is_empty() {
        out.push('\n');
    }
    if table.rows.iter().any(|r| r.extrapolated) {
        out.push_str("\n* outside what was measured: an extrapolation\n");
    }
    for finding in &table.findings {
        out.push_str(&format!(
            "\n{}: {}\n  {}\n",
            visible(&finding.place.to_line()),
            visible(&finding.text),
            visible(&finding.advice)
        ));
    }
    out
}

fn blocks(table: &Table, out: &mut String, cell: impl Fn(&Row) -> String) {
    let placed: Vec<((String, String, String), &Row)> = table
        .rows
        .iter()
        .map(|row| (place(table.of, row), row))
        .collect();
    let names = distinct(placed.iter().map(|((block, _, _), _)| block));
    for name in names {
        let here: Vec<&((String, String, String), &Row)> = placed
            .iter()
            .filter(|((block, _, _), _)| *block == name)
            .collect();
        let lines = distinct(here.iter().map(|((_, line, _), _)| line));
        let columns = distinct(here.iter().map(|((_, _, column), _)| column));
        let mut grid = vec![vec![String::new(); columns.len() + 1]; lines.len() + 1];
        for (j, column) in columns.iter().enumerate() {
            grid[0][j + 1].clone_from(column);
        }
        for (i, line) in lines.iter().enumerate() {
            grid[i + 1][0].clone_from(line);
        }
        for ((_, line, column), row) in here {
            let i = lines.iter().position(|l| l == line).unwrap_or(0);
            let j = columns.iter().position(|c| c == column).unwrap_or(0);
            let mark = if row.extrapolated { "*" } else { "" };
            grid[i + 1][j + 1] = format!("{}{mark}", cell(row));
        }
        out.push_str(&format!("\n{name}\n{}", aligned(&grid)));
    }
}

fn distinct<'a>(list: impl Iterator<Item = &'a String>) -> Vec<String> {
    let mut seen: Vec<String> = Vec::new();
    for item in list {
        if !seen.contains(item) {
            seen.push(item.clone());
        }
    }
    seen
}

/// First column to the left, the others to the right.
fn aligned(grid: &[Vec<String>]) -> String {
    let columns = grid.first().map_or(0, Vec::len);
    let width = |j: usize| {
        grid.iter()
            .map(|row| row[j].chars().count())
            .max()
            .unwrap_or(0)
    };
    let widths: Vec<usize> = (0..columns).map(width).collect();
    let mut out = String::new();
    for row in grid {
        let mut line = String::new();
        for (j, cell) in row.iter().enumerate() {
            let pad = " ".repeat(widths[j] - cell.chars().count());
            if j == 0 {
                line.push_str(&format!("  {cell}{pad}"));
            } else {
                line.push_str(&format!("  {pad}{cell}"));
            }
        }
        out.push_str(line.trim_end());
        out.push('\n');
    }
    out
}
