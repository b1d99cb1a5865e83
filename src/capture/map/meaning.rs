//! What people call a column, and which unit they write beside it.
//!
//! The words are those that shops write on sheets; common practice, no source.

use std::collections::HashMap;
use std::sync::LazyLock;

use super::pattern::one_line;
use crate::capture::names::{NAMES, Role, folded};

/// What a name was understood as.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum What {
    /// A column of the capture format.
    Is(Role),
    /// A quantity, by volume or by mass.
    Amount,
    /// A quantity read before the train.
    Start,
    /// Worked out from readings: a mean, a flow, a deviation.
    Computed,
    /// A number that only counts the rows.
    RowNumber,
}

/// A name, understood as far as it goes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Meaning {
    /// What it says, if a word of it is known.
    pub what: Option<What>,
    /// Its unit as the capture format spells it.
    pub unit: Option<&'static str>,
    /// What is left without known words and unit: an id, a number.
    pub rest: String,
}

/// Units as people write them, and as the capture format does.
const UNITS: &[(&str, &str)] = &[
    ("ms", "ms"),
    ("msec", "ms"),
    ("milliseconds", "ms"),
    ("millisekunden", "ms"),
    ("us", "us"),
    ("usec", "us"),
    ("microseconds", "us"),
    ("mikrosekunden", "us"),
    ("ml", "ml"),
    ("milliliter", "ml"),
    ("millilitre", "ml"),
    ("millilitres", "ml"),
    ("cc", "cc"),
    ("ccm", "cc"),
    ("cm3", "cc"),
    ("cm^3", "cc"),
    ("ul", "ul"),
    ("mm3", "mm3"),
    ("mm^3", "mm3"),
    ("cmm", "mm3"),
    ("g", "g"),
    ("gr", "g"),
    ("gram", "g"),
    ("grams", "g"),
    ("gramm", "g"),
    ("mg", "mg"),
    ("v", "v"),
    ("volt", "v"),
    ("volts", "v"),
    ("kpa", "kpa"),
    ("bar", "bar"),
    ("psi", "psi"),
    ("c", "c"),
    ("degc", "c"),
    ("celsius", "c"),
    ("f", "f"),
    ("degf", "f"),
    ("fahrenheit", "f"),
    ("hz", "hz"),
    ("s", "s"),
    ("sec", "s"),
    ("seconds", "s"),
];

const fn is(role: Role) -> What {
    What::Is(role)
}

/// Words of the longest phrase of [`WORDS`].
const MOST_WORDS: usize = 3;

/// Words, and what they say; of several that occur the longest counts.
const WORDS: &[(&str, What)] = &[
    ("pulse width", is(Role::PulseWidth)),
    ("pulsewidth", is(Role::PulseWidth)),
    ("pw", is(Role::PulseWidth)),
    ("on time", is(Role::PulseWidth)),
    ("ontime", is(Role::PulseWidth)),
    ("ti", is(Role::PulseWidth)),
    ("pulse length", is(Role::PulseWidth)),
    ("pulse duration", is(Role::PulseWidth)),
    ("pulse time", is(Role::PulseWidth)),
    ("injection time", is(Role::PulseWidth)),
    ("injection duration", is(Role::PulseWidth)),
    ("duration", is(Role::PulseWidth)),
    ("width", is(Role::PulseWidth)),
    ("pulse", is(Role::PulseWidth)),
    ("impulsdauer", is(Role::PulseWidth)),
    ("impulsbreite", is(Role::PulseWidth)),
    ("einspritzzeit", is(Role::PulseWidth)),
    ("ansteuerdauer", is(Role::PulseWidth)),
    ("einspritzdauer", is(Role::PulseWidth)),
    ("largeur", is(Role::PulseWidth)),
    ("durée", is(Role::PulseWidth)),
    ("pulslängd", is(Role::PulseWidth)),
    ("pulses", is(Role::Pulses)),
    ("number of pulses", is(Role::Pulses)),
    ("no of pulses", is(Role::Pulses)),
    ("pulse count", is(Role::Pulses)),
    ("pulses per train", is(Role::Pulses)),
    ("pulses per run", is(Role::Pulses)),
    ("pulses per test", is(Role::Pulses)),
    ("pulse number", is(Role::Pulses)),
    ("count", is(Role::Pulses)),
    ("counts", is(Role::Pulses)),
    ("shots", is(Role::Pulses)),
    ("strokes", is(Role::Pulses)),
    ("cycles", is(Role::Pulses)),
    ("injections", is(Role::Pulses)),
    ("n", is(Role::Pulses)),
    ("anzahl", is(Role::Pulses)),
    ("impulse", is(Role::Pulses)),
    ("anzahl impulse", is(Role::Pulses)),
    ("hübe", is(Role::Pulses)),
    ("impulsions", is(Role::Pulses)),
    ("antal", is(Role::Pulses)),
    ("antal pulser", is(Role::Pulses)),
    ("pulser", is(Role::Pulses)),
    ("injector", is(Role::Injector)),
    ("injectors", is(Role::Injector)),
    ("inj", is(Role::Injector)),
    ("injector id", is(Role::Injector)),
    ("injector no", is(Role::Injector)),
    ("injector number", is(Role::Injector)),
    ("injector serial", is(Role::Injector)),
    ("serial", is(Role::Injector)),
    ("serial number", is(Role::Injector)),
    ("serial no", is(Role::Injector)),
    ("sn", is(Role::Injector)),
    ("s n", is(Role::Injector)),
    ("id", is(Role::Injector)),
    ("nozzle", is(Role::Injector)),
    ("düse", is(Role::Injector)),
    ("ventil", is(Role::Injector)),
    ("injektor", is(Role::Injector)),
    ("einspritzventil", is(Role::Injector)),
    ("injecteur", is(Role::Injector)),
    ("spridare", is(Role::Injector)),
    ("insprutare", is(Role::Injector)),
    ("volume", is(Role::Volume)),
    ("vol", is(Role::Volume)),
    ("volumes", is(Role::Volume)),
    ("volumen", is(Role::Volume)),
    ("volym", is(Role::Volume)),
    ("mass", is(Role::Mass)),
    ("weight", is(Role::Mass)),
    ("weights", is(Role::Mass)),
    ("masses", is(Role::Mass)),
    ("wt", is(Role::Mass)),
    ("masse", is(Role::Mass)),
    ("gewicht", is(Role::Mass)),
    ("poids", is(Role::Mass)),
    ("massa", is(Role::Mass)),
    ("vikt", is(Role::Mass)),
    ("delivered", What::Amount),
    ("delivery", What::Amount),
    ("amount", What::Amount),
    ("quantity", What::Amount),
    ("qty", What::Amount),
    ("reading", What::Amount),
    ("readings", What::Amount),
    ("fuel", What::Amount),
    ("collected", What::Amount),
    ("menge", What::Amount),
    ("fördermenge", What::Amount),
    ("messwert", What::Amount),
    ("quantité", What::Amount),
    ("mängd", What::Amount),
    ("tare", What::Start),
    ("voltage", is(Role::Voltage)),
    ("supply voltage", is(Role::Voltage)),
    ("battery", is(Role::Voltage)),
    ("battery voltage", is(Role::Voltage)),
    ("supply", is(Role::Voltage)),
    ("vbat", is(Role::Voltage)),
    ("ubat", is(Role::Voltage)),
    ("spannung", is(Role::Voltage)),
    ("tension", is(Role::Voltage)),
    ("spänning", is(Role::Voltage)),
    ("pressure", is(Role::Pressure)),
    ("rail pressure", is(Role::Pressure)),
    ("fuel pressure", is(Role::Pressure)),
    ("differential pressure", is(Role::Pressure)),
    ("druck", is(Role::Pressure)),
    ("raildruck", is(Role::Pressure)),
    ("pression", is(Role::Pressure)),
    ("tryck", is(Role::Pressure)),
    ("dp", is(Role::Pressure)),
    ("period", is(Role::Period)),
    ("periode", is(Role::Period)),
    ("cycle time", is(Role::Period)),
    ("frequency", is(Role::Frequency)),
    ("freq", is(Role::Frequency)),
    ("frequenz", is(Role::Frequency)),
    ("fréquence", is(Role::Frequency)),
    ("frekvens", is(Role::Frequency)),
    ("open time", is(Role::OpenTime)),
    ("held open", is(Role::OpenTime)),
    ("temperature", is(Role::FluidTemp)),
    ("temp", is(Role::FluidTemp)),
    ("fluid temp", is(Role::FluidTemp)),
    ("fuel temp", is(Role::FluidTemp)),
    ("fluid temperature", is(Role::FluidTemp)),
    ("fuel temperature", is(Role::FluidTemp)),
    ("temperatur", is(Role::FluidTemp)),
    ("température", is(Role::FluidTemp)),
    ("vessel", is(Role::Vessel)),
    ("burette", is(Role::Vessel)),
    ("stage", is(Role::Stage)),
    ("repeat", is(Role::Repeat)),
    ("rep", is(Role::Repeat)),
    ("repetition", is(Role::Repeat)),
    ("replicate", is(Role::Repeat)),
    ("trial", is(Role::Repeat)),
    ("wdh", is(Role::Repeat)),
    ("wiederholung", is(Role::Repeat)),
    ("timestamp", is(Role::Time)),
    ("time", is(Role::Time)),
    ("date", is(Role::Time)),
    ("datum", is(Role::Time)),
    ("uhrzeit", is(Role::Time)),
    ("note", is(Role::Note)),
    ("notes", is(Role::Note)),
    ("comment", is(Role::Note)),
    ("comments", is(Role::Note)),
    ("remark", is(Role::Note)),
    ("remarks", is(Role::Note)),
    ("bemerkung", is(Role::Note)),
    ("bemerkungen", is(Role::Note)),
    ("kommentar", is(Role::Note)),
    ("exclude", is(Role::Exclude)),
    ("excluded", is(Role::Exclude)),
    ("average", What::Computed),
    ("avg", What::Computed),
    ("mean", What::Computed),
    ("median", What::Computed),
    ("sum", What::Computed),
    ("total", What::Computed),
    ("std", What::Computed),
    ("stdev", What::Computed),
    ("std dev", What::Computed),
    ("deviation", What::Computed),
    ("spread", What::Computed),
    ("min", What::Computed),
    ("max", What::Computed),
    ("range", What::Computed),
    ("mittel", What::Computed),
    ("mittelwert", What::Computed),
    ("durchschnitt", What::Computed),
    ("summe", What::Computed),
    ("moyenne", What::Computed),
    ("medel", What::Computed),
    ("medelvärde", What::Computed),
    ("flow", What::Computed),
    ("flow rate", What::Computed),
    ("percent", What::Computed),
    ("duty", What::Computed),
    ("duty cycle", What::Computed),
    ("row", What::RowNumber),
    ("line", What::RowNumber),
    ("no", What::RowNumber),
    ("nr", What::RowNumber),
    ("lfd nr", What::RowNumber),
];

/// Words that make a quantity one from before the train.
const BEFORE: &[&str] = &[
    "start", "before", "initial", "vorher", "anfang", "avant", "före",
];
/// Words that make a voltage or a pressure a measured one.
const ACTUAL: &[&str] = &["actual", "measured", "ist", "gemessen", "mesuré", "uppmätt"];
/// Words that say nothing.
const FILLERS: &[&str] = &[
    "of",
    "in",
    "the",
    "per",
    "train",
    "run",
    "test",
    "after",
    "end",
    "final",
    "nachher",
    "ende",
    "set",
    "soll",
    "commanded",
    "nominal",
    "point",
    "setpoint",
];
/// What a quantity is divided by where it is worked out rather than read.
const RATES: &[&str] = &[
    "min",
    "minute",
    "h",
    "hr",
    "hour",
    "s",
    "sec",
    "ms",
    "pulse",
    "shot",
    "stroke",
    "str",
    "inj",
    "injection",
    "1000",
    "100",
    "hub",
    "impuls",
];

/// A unit as the capture format spells it, brackets around it or not.
pub(super) fn unit(text: &str) -> Option<&'static str> {
    let bare = folded(text.trim());
    let bare = bare.trim_matches(|c: char| "()[]{}.,:".contains(c)).trim();
    let bare = bare
        .strip_suffix("/train")
        .or_else(|| bare.strip_suffix(" per train"))
        .unwrap_or(bare);
    UNITS
        .iter()
        .find(|(word, _)| *word == bare)
        .map(|(_, unit)| *unit)
}

/// Whether a text behind a number is a unit in other letters; ml and cc are the same.
pub(super) fn same_unit(text: &str, wanted: &str) -> bool {
    let plain = |unit: &'static str| if unit == "cc" { "ml" } else { unit };
    let wanted = UNITS.iter().find(|(word, _)| *word == wanted);
    matches!((unit(text), wanted), (Some(a), Some((_, b))) if plain(a) == plain(b))
}

/// Where each phrase of [`WORDS`] stands.
static PHRASES: LazyLock<HashMap<&str, usize>> = LazyLock::new(|| {
    let mut places = HashMap::new();
    for (at, (phrase, _)) in WORDS.iter().enumerate() {
        places.entry(*phrase).or_insert(at);
    }
    places
});

/// The longest phrase that is known, of several the first of the list: where it begins, how many
/// words it has, what it says.
fn known(words: &[&str]) -> Option<(usize, usize, What)> {
    (1..=MOST_WORDS.min(words.len())).rev().find_map(|length| {
        let windows = words.windows(length).enumerate();
        let found = windows.filter_map(|(at, words)| {
            let phrase = PHRASES.get(words.join(" ").as_str())?;
            Some((*phrase, at))
        });
        let (phrase, at) = found.min()?;
        Some((at, length, WORDS[phrase].1))
    })
}

/// Understands a name.
pub(super) fn meaning(name: &str) -> Meaning {
    let text = folded(&one_line(name));
    let mut said = None;
    let mut words: Vec<&str> = Vec::new();
    let mut rest: Vec<&str> = Vec::new();
    let pieces = text.split(|c: char| c.is_whitespace() || "()[]{},;:=_|".contains(c));
    let mut last = "";
    for piece in pieces.filter(|piece| !piece.is_empty()) {
        let divided = piece.split_once('/').is_some_and(|(quantity, by)| {
            (quantity.is_empty() || unit(quantity).is_some()) && RATES.contains(&by)
        });
        if divided || piece.contains('%') || last == "per" && RATES.contains(&piece) {
            return Meaning {
                what: Some(What::Computed),
                unit: None,
                rest: String::new(),
            };
        }
        // `PW/ms` is a quantity over its unit.
        let (piece, over) = match piece.rsplit_once('/') {
            Some((quantity, over)) if unit(over).is_some() => (quantity, unit(over)),
            _ => (piece, None),
        };
        said = over.or(said);
        match unit(piece) {
            // A lone letter is a unit only behind something, as in `T (C)`.
            Some(found) if piece.len() > 1 || !last.is_empty() => said = Some(found),
            _ => {
                let parts = piece.split(['/', '-', '.', '#', '\'']);
                words.extend(parts.filter(|part| !part.is_empty()));
            }
        }
        last = piece;
    }
    let has = |list: &[&str]| words.iter().any(|word| list.contains(word));
    let (before, actual) = (has(BEFORE), has(ACTUAL));
    let best = known(&words);
    for (at, word) in words.iter().enumerate() {
        let known = best.is_some_and(|(first, length, _)| (first..first + length).contains(&at));
        let says_nothing = FILLERS.contains(word) || BEFORE.contains(word) || ACTUAL.contains(word);
        if !(known || says_nothing && best.is_some()) {
            rest.push(word);
        }
    }
    let computed = words.iter().any(|word| {
        let said = PHRASES.get(word).map(|at| WORDS[*at].1);
        said == Some(What::Computed)
    });
    let what = best.map(|(_, _, what)| what).map(|what| match what {
        _ if computed && !matches!(what, What::Is(Role::Pulses | Role::Injector)) => What::Computed,
        What::Is(Role::Volume | Role::Mass) | What::Amount if before => What::Start,
        What::Is(Role::Voltage) if actual => What::Is(Role::VoltageActual),
        What::Is(Role::Pressure) if actual => What::Is(Role::PressureActual),
        what => what,
    });
    Meaning {
        what,
        unit: said,
        rest: as_written(name, &rest),
    }
}

/// Words of a folded text as they stand in the name.
fn as_written(name: &str, words: &[&str]) -> String {
    let mut found: Vec<&str> = Vec::new();
    let pieces = name.split(|c: char| c.is_whitespace() || "()[]{},;:=_|/-.#'".contains(c));
    for piece in pieces {
        if words.contains(&folded(piece).as_str()) {
            found.push(piece);
        }
    }
    found.join(" ")
}

impl Meaning {
    /// The columns of the capture format that the name may mean: one where nothing is open.
    pub fn columns(&self) -> Vec<String> {
        let roles: &[Role] = match self.what {
            Some(What::Is(role)) => &[role],
            Some(What::Amount) => &[Role::Volume, Role::Mass],
            Some(What::Start) => &[Role::VolumeStart, Role::MassStart],
            Some(What::Computed | What::RowNumber) | None => &[],
        };
        columns_of(roles, self.unit)
    }
}

/// Names of the capture format for some roles: those with the unit, else all.
pub(super) fn columns_of(roles: &[Role], unit: Option<&str>) -> Vec<String> {
    let entries = || roles.iter().map(|role| &NAMES[*role as usize]);
    let all = |wanted: Option<&str>| -> Vec<String> {
        let of_entry = |entry: &'static crate::capture::names::Name| -> Vec<String> {
            if entry.units.is_empty() {
                return vec![entry.stem.to_owned()];
            }
            let units = entry
                .units
                .iter()
                .filter(|u| wanted.is_none_or(|w| w == **u));
            units.map(|unit| format!("{}_{unit}", entry.stem)).collect()
        };
        entries().flat_map(of_entry).collect()
    };
    match all(unit) {
        fitting if fitting.is_empty() => all(None),
        fitting => fitting,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_phrase_is_longer_than_is_looked_for() {
        let words = WORDS.iter().map(|(phrase, _)| phrase.split(' ').count());
        assert_eq!(words.max(), Some(MOST_WORDS));
    }

    #[test]
    fn what_shops_write_is_understood_and_a_unit_is_never_made_up() {
        for (name, columns, rest) in [
            ("Pulse width [µs]", &["pulse_width_us"][..], ""),
            ("Ti", &["pulse_width_ms", "pulse_width_us"], ""),
            ("On-time, ms", &["pulse_width_ms"], ""),
            ("Impulsdauer (ms)", &["pulse_width_ms"], ""),
            ("No. of pulses", &["pulses"], ""),
            ("Pulses per train", &["pulses"], ""),
            ("Weight [g/train]", &["mass_g"], ""),
            ("Mass in g per train", &["mass_g"], ""),
            ("Mass before [g]", &["mass_start_g"], ""),
            ("Vol. 2 (cm³)", &["volume_cc"], "2"),
            ("Reading A1 [ml]", &["volume_ml"], "A1"),
            ("Volume (cc/min)", &[], ""),
            ("mm3/pulse", &[], ""),
            ("PW/ms", &["pulse_width_ms"], ""),
            ("Mean volume [ml]", &[], ""),
            ("Deviation %", &[], ""),
            ("Serial no.", &["injector"], ""),
            ("Rail pressure / bar", &["pressure_bar"], ""),
            ("Pressure measured (kPa)", &["pressure_actual_kpa"], ""),
            ("Temp. °C", &["fluid_temp_c"], ""),
            ("Operator", &[], "Operator"),
            ("A1", &[], "A1"),
        ] {
            let found = meaning(name);
            assert_eq!(found.columns(), columns, "{name}");
            if !rest.is_empty() {
                assert_eq!(found.rest, rest, "{name}");
            }
        }
        assert_eq!(meaning("Volume").columns().len(), 4);
        assert_eq!(meaning("Quantity").columns().len(), 6);
    }

    #[test]
    fn words_and_units_are_spelled_as_names_are_folded() {
        for word in UNITS
            .iter()
            .map(|(w, _)| *w)
            .chain(WORDS.iter().map(|(w, _)| *w))
        {
            assert_eq!(folded(word), *word);
        }
        for (_, unit) in UNITS {
            assert!(NAMES.iter().any(|name| name.units.contains(unit)), "{unit}");
        }
    }
}
