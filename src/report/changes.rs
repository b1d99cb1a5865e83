//! What a correction changed, in words.

use super::numbers::estimate;
use super::{ReportError, Style, flow_scale};
use crate::characterisation::{Changes, Figure, Point, ReadingChange, ResultChange, Verdict};
use crate::plots::visible;
use crate::units::{Basis, significant};

/// So many readings and so many results are told one by one.
const TOLD: usize = 12;

/// Says which readings and which results differ, one line each; the rest is counted.
///
/// # Errors
/// [`ReportError`] where the unit of flow needs a density that is not stated.
pub fn changes_text(changes: &Changes, style: &Style) -> Result<String, ReportError> {
    let mut text = String::new();
    for (what, ids) in [
        ("no longer in it", &changes.injectors_gone),
        ("new in it", &changes.injectors_new),
    ] {
        if !ids.is_empty() {
            let ids: Vec<String> = ids.iter().map(|id| visible(id)).collect();
            text.push_str(&format!("  injectors {what}: {}\n", ids.join(", ")));
        }
    }
    let count = changes.readings.len();
    let word = if count == 1 { "reading" } else { "readings" };
    text.push_str(&format!("  {count} {word} changed\n"));
    for change in changes.readings.iter().take(TOLD) {
        text.push_str(&format!("    {}\n", reading(change)));
    }
    if count > TOLD {
        text.push_str(&format!("    and {} more\n", count - TOLD));
    }
    let count = changes.results.len();
    let word = if count == 1 { "result" } else { "results" };
    text.push_str(&format!("  {count} {word} changed"));
    if changes.small > 0 {
        let more = if count > 0 { " more" } else { "" };
        text.push_str(&format!(
            "; {}{more} by less than a tenth of the standard uncertainty",
            changes.small
        ));
    }
    text.push('\n');
    for change in changes.results.iter().take(TOLD) {
        text.push_str(&format!("    {}\n", result(change, style)?));
    }
    if count > TOLD {
        text.push_str(&format!("    and {} more\n", count - TOLD));
    }
    if let Some([before, after]) = changes.verdict {
        text.push_str(&format!(
            "  verdict: {} before, {} now\n",
            verdict(before),
            verdict(after)
        ));
    }
    Ok(text)
}

fn verdict(verdict: Option<Verdict>) -> &'static str {
    match verdict {
        Some(Verdict::Matched) => "matched",
        Some(Verdict::NotMatched) => "not matched",
        Some(Verdict::Undecided) => "undecided",
        None => "none",
    }
}

/// One reading: where it stands, what it was and what it is.
fn reading(change: &ReadingChange) -> String {
    let Some(point) = change.after.as_ref().or(change.before.as_ref()) else {
        return String::new();
    };
    let place = format!(
        "{}:{}, injector {}",
        visible(&point.source),
        point.line,
        visible(&change.injector)
    );
    let words = match (&change.before, &change.after) {
        (Some(a), Some(b)) => {
            let (was, is) = (read(a, change.basis), read(b, change.basis));
            if was == is {
                // The number stands; only its use differs.
                let used = |p: &Point| if p.used { "used" } else { "not used" };
                format!("{was}: {} before, {} now", used(a), used(b))
            } else {
                format!("{was} became {is}")
            }
        }
        (None, Some(b)) => format!("new: {}", read(b, change.basis)),
        (Some(a), None) => format!("gone: {}", read(a, change.basis)),
        (None, None) => String::new(),
    };
    format!("{place}: {words}")
}

/// A reading as it was written: total, pulses and width.
fn read(point: &Point, basis: Basis) -> String {
    let unit = match basis {
        Basis::Volume => "mL",
        Basis::Mass => "g",
    };
    match point.open_time_s {
        // Static flow is kept per ms.
        Some(seconds) => format!("{} {unit} in {seconds} s", tidy(point.delivered * seconds)),
        None => format!(
            "{} {unit} from {} pulses of {} ms",
            tidy(point.delivered * point.pulses / 1000.0),
            point.pulses,
            point.pulse_width_ms
        ),
    }
}

/// Six digits, without zeros at the end: as it was typed.
fn tidy(x: f64) -> String {
    let text = significant(x, 6);
    match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.').to_owned(),
        false => text,
    }
}

fn result(change: &ResultChange, style: &Style) -> Result<String, ReportError> {
    let (name, unit, factor) = match change.figure {
        Figure::Flow => {
            let scale = flow_scale(change.basis, style.flow_unit, style.density)?;
            ("flow", scale.unit.unit().sign(), scale.factor)
        }
        Figure::DeadTime => ("dead time", "ms", 1.0),
        Figure::Spread => ("spread", "%", 1.0),
    };
    let mut place = match &change.injector {
        Some(id) => visible(id),
        None => "the set".to_owned(),
    };
    if let Some(stage) = &change.stage {
        place.push_str(&format!(", {}", visible(stage)));
    }
    if let Some(volts) = change.voltage_v {
        place.push_str(&format!(", {volts} V"));
    }
    if let Some(kpa) = change.pressure_kpa {
        place.push_str(&format!(", {} kPa", (kpa * 10.0).round() / 10.0));
    }
    let v = style.voice();
    let shown = |side: &Option<crate::units::Estimate>| estimate(side.as_ref(), factor, v);
    let mut words = format!(
        "{place}: {name} {} became {} {unit}",
        shown(&change.before),
        shown(&change.after)
    );
    if let (Some(a), Some(b)) = (&change.before, &change.after) {
        let moved = (b.value - a.value) * factor;
        let sign = if moved < 0.0 { "" } else { "+" };
        words.push_str(&format!(" ({sign}{})", significant(moved, 2)));
    }
    Ok(words)
}
