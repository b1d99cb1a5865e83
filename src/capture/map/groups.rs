//! Wide layouts: what tells the columns apart that hold the readings of one line.

use super::meaning::{What, unit};
use super::pattern::one_line;
use super::shape::{Column, parted};
use crate::capture::names::Role;

/// Columns that hold readings, with what each stands for.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Readings {
    /// Indices into the columns.
    pub columns: Vec<usize>,
    /// Injector of each, where the columns tell it.
    pub injectors: Vec<String>,
    /// Pulse width of each as written, where the columns tell it, and the unit if it is said.
    pub widths: Vec<String>,
    /// Unit of those widths.
    pub width_unit: Option<&'static str>,
    /// Number of the repeat of each, where several columns hold the same.
    pub repeats: Vec<usize>,
}

/// What is known of a sheet before its readings are looked for.
#[derive(Debug, Clone, Copy)]
pub(super) struct Known {
    /// A column or label tells the injector.
    pub injector: bool,
    /// A column or label tells the pulse width.
    pub width: bool,
    /// Blocks stand side by side, each with columns of its own.
    pub beside: bool,
}

/// Whether a column holds a quantity by its name.
pub(super) fn is_amount(column: &Column) -> bool {
    let amount = matches!(
        column.meaning.what,
        Some(What::Amount | What::Is(Role::Volume | Role::Mass))
    );
    amount && column.numbers > 0
}

/// Whether a column may hold readings though its name does not say so: `A1`, `Inj 2`, `2.5 ms`.
fn may_be_reading(column: &Column) -> bool {
    let numeric = column.numbers > 0 && column.numbers == column.cells.len();
    let named = match column.meaning.what {
        None => true,
        Some(What::Is(Role::Injector | Role::PulseWidth)) => !column.meaning.rest.is_empty(),
        Some(_) => false,
    };
    numeric && named
}

/// Finds the columns of readings.
pub(super) fn readings(columns: &[Column], known: Known) -> Readings {
    let all = |wanted: &dyn Fn(&Column) -> bool| -> Vec<usize> {
        (0..columns.len())
            .filter(|at| wanted(&columns[*at]))
            .collect()
    };
    let mut found = all(&is_amount);
    if found.is_empty() {
        found = all(&may_be_reading);
        // One column of numbers whose name says nothing may be anything.
        if found.len() < 2 {
            return Readings::default();
        }
        if !known.width {
            let widths = all(&|c| may_be_reading(c) && width_of(&c.name).is_some());
            if widths.len() >= 2 {
                found = widths;
            }
        }
    }
    // Of a volume and a mass beside each other one is worked out from the other.
    let kind = |at: usize| columns[at].meaning.what;
    let first = kind(found[0]);
    found.retain(|at| kind(*at) == first || first.is_none());
    let mut readings = Readings {
        columns: found.clone(),
        ..Readings::default()
    };
    if found.len() == 1 {
        return readings;
    }
    let each = |text: &dyn Fn(&Column) -> String| -> Vec<String> {
        found.iter().map(|at| text(&columns[*at])).collect()
    };
    let widths: Option<Vec<(String, Option<&'static str>)>> = found
        .iter()
        .map(|at| width_of(&header_text(&columns[*at])))
        .collect();
    if !known.width
        && let Some(widths) = widths
        && differ(
            &widths
                .iter()
                .map(|(value, _)| value.clone())
                .collect::<Vec<_>>(),
        )
    {
        readings.width_unit = widths[0].1;
        readings.widths = widths.into_iter().map(|(value, _)| value).collect();
    }
    let groups = each(&|c| without_injector(&c.group));
    let ids = each(&id_of);
    if !known.injector {
        if groups.iter().all(|g| !g.is_empty()) {
            readings.injectors = groups;
        } else if readings.widths.is_empty() && differ(&ids) && ids.iter().all(|id| !id.is_empty())
        {
            readings.injectors = ids;
        }
    }
    // What is left alike are repeats, counted from the left.
    let key = |at: usize| (readings.injectors.get(at), readings.widths.get(at));
    let repeats: Vec<usize> = (0..found.len())
        .map(|at| (0..=at).filter(|earlier| key(*earlier) == key(at)).count())
        .collect();
    if !known.beside && repeats.iter().any(|repeat| *repeat > 1) {
        readings.repeats = repeats;
    }
    readings
}

/// What of a name is an injector's own: the known words and the unit left out.
fn id_of(column: &Column) -> String {
    let text = header_text(column);
    match column.meaning.what {
        None => one_line(&text),
        Some(_) => column.meaning.rest.clone(),
    }
}

/// The name without a unit in brackets or at its end.
fn header_text(column: &Column) -> String {
    let mut words: Vec<&str> = column.name.split_whitespace().collect();
    while words.len() > 1
        && words
            .last()
            .is_some_and(|word| unit(word).is_some_and(|u| u != "ms" && u != "us"))
    {
        words.pop();
    }
    words.join(" ")
}

fn without_injector(group: &str) -> String {
    let said = super::meaning::meaning(group);
    match said.what {
        Some(What::Is(Role::Injector)) if !said.rest.is_empty() => said.rest,
        _ => group.to_owned(),
    }
}

/// The pulse width in a name, as `2.5 ms`, `at 2500us` or a bare `2.5`, and its unit.
fn width_of(name: &str) -> Option<(String, Option<&'static str>)> {
    let words: Vec<&str> = name
        .split(|c: char| c.is_whitespace() || "()[]@".contains(c))
        .collect();
    let words: Vec<&str> = words.into_iter().filter(|word| !word.is_empty()).collect();
    for (at, word) in words.iter().enumerate() {
        let (number, tail) = parted(word);
        if number.is_empty() {
            continue;
        }
        let behind = match tail.is_empty() {
            true => words.get(at + 1).copied().unwrap_or(""),
            false => tail,
        };
        let value = number.replace(',', ".");
        if value.parse::<f64>().is_err() {
            continue;
        }
        match unit(behind) {
            Some(time @ ("ms" | "us")) => return Some((value, Some(time))),
            // A bare number is a width only by itself: `Reading 2` is a second one.
            None if words.len() == 1 && tail.is_empty() => return Some((value, None)),
            _ => {}
        }
    }
    None
}

fn differ(texts: &[String]) -> bool {
    texts
        .iter()
        .enumerate()
        .all(|(at, text)| !texts[..at].contains(text))
}

/// Whether a name tells a width rather than holding one below it, as `Pulse 2.5 ms`.
pub(super) fn names_a_width(column: &Column) -> bool {
    !column.meaning.rest.is_empty() && width_of(&column.name).is_some()
}
