//! The column names of the capture format with their units, and what a wrong name was meant for.

use crate::units::Quantity;

/// What a column says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Role {
    Injector,
    PulseWidth,
    Pulses,
    Volume,
    Mass,
    VolumeStart,
    MassStart,
    Voltage,
    Pressure,
    VoltageActual,
    PressureActual,
    Period,
    Frequency,
    OpenTime,
    FluidTemp,
    Vessel,
    Stage,
    Repeat,
    Time,
    Note,
    Exclude,
}

/// Number of roles.
pub(super) const ROLES: usize = Role::Exclude as usize + 1;

/// A column name without its unit, and the units it may carry (the first is the one advised).
pub(super) struct Name {
    pub role: Role,
    pub stem: &'static str,
    pub quantity: Option<Quantity>,
    pub units: &'static [&'static str],
}

const fn measured(
    role: Role,
    stem: &'static str,
    quantity: Quantity,
    units: &'static [&'static str],
) -> Name {
    Name {
        role,
        stem,
        quantity: Some(quantity),
        units,
    }
}

const fn plain(role: Role, stem: &'static str) -> Name {
    Name {
        role,
        stem,
        quantity: None,
        units: &[],
    }
}

const TIMES: &[&str] = &["ms", "us"];

const VOLUMES: &[&str] = &["ml", "cc", "ul", "mm3"];

const MASSES: &[&str] = &["g", "mg"];

const PRESSURES: &[&str] = &["kpa", "bar", "psi"];

/// Every column name of the capture format.
pub(super) const NAMES: [Name; ROLES] = [
    plain(Role::Injector, "injector"),
    measured(Role::PulseWidth, "pulse_width", Quantity::Time, TIMES),
    plain(Role::Pulses, "pulses"),
    measured(Role::Volume, "volume", Quantity::Volume, VOLUMES),
    measured(Role::Mass, "mass", Quantity::Mass, MASSES),
    measured(Role::VolumeStart, "volume_start", Quantity::Volume, VOLUMES),
    measured(Role::MassStart, "mass_start", Quantity::Mass, MASSES),
    measured(Role::Voltage, "voltage", Quantity::Voltage, &["v"]),
    measured(Role::Pressure, "pressure", Quantity::Pressure, PRESSURES),
    measured(
        Role::VoltageActual,
        "voltage_actual",
        Quantity::Voltage,
        &["v"],
    ),
    measured(
        Role::PressureActual,
        "pressure_actual",
        Quantity::Pressure,
        PRESSURES,
    ),
    measured(Role::Period, "period", Quantity::Time, TIMES),
    // No quantity holds a frequency: it is turned into a period at once.
    Name {
        role: Role::Frequency,
        stem: "frequency",
        quantity: None,
        units: &["hz"],
    },
    Name {
        role: Role::OpenTime,
        stem: "open_time",
        quantity: None,
        units: &["s"],
    },
    measured(
        Role::FluidTemp,
        "fluid_temp",
        Quantity::Temperature,
        &["c", "f"],
    ),
    plain(Role::Vessel, "vessel"),
    plain(Role::Stage, "stage"),
    plain(Role::Repeat, "repeat"),
    plain(Role::Time, "time"),
    plain(Role::Note, "note"),
    plain(Role::Exclude, "exclude"),
];

/// What people call a column that has another name here.
const OTHER_WORDS: &[(&str, &str)] = &[
    ("serial", "injector"),
    ("serial_number", "injector"),
    ("id", "injector"),
    ("cylinder", "injector"),
    ("channel", "injector"),
    ("pw", "pulse_width_ms"),
    ("pw_ms", "pulse_width_ms"),
    ("on_time", "pulse_width_ms"),
    ("on_time_ms", "pulse_width_ms"),
    ("width", "pulse_width_ms"),
    ("duration", "pulse_width_ms"),
    ("duration_ms", "pulse_width_ms"),
    ("count", "pulses"),
    ("shots", "pulses"),
    ("cycles", "pulses"),
    ("injections", "pulses"),
    ("ml", "volume_ml"),
    ("cc", "volume_cc"),
    ("weight_g", "mass_g"),
    ("weight", "mass_g"),
    ("battery", "voltage_v"),
    ("vbat", "voltage_v"),
    ("supply", "voltage_v"),
    ("rail_pressure", "pressure_kpa"),
    ("fuel_pressure", "pressure_kpa"),
    ("hz", "frequency_hz"),
    ("temperature", "fluid_temp_c"),
    ("temp", "fluid_temp_c"),
    ("comment", "note"),
    ("remark", "note"),
    ("timestamp", "time"),
    ("date", "time"),
];

/// Lower case, with the special letters of units written plainly.
pub(super) fn folded(cell: &str) -> String {
    cell.to_lowercase()
        .replace(['µ', 'μ'], "u")
        .replace('³', "3")
        .replace('°', "")
}

/// Finds a name of the format, letter for letter.
pub(super) fn find(name: &str) -> Option<(&'static Name, &'static str)> {
    NAMES.iter().find_map(|entry| {
        if entry.units.is_empty() {
            return (name == entry.stem).then_some((entry, ""));
        }
        let unit = name.strip_prefix(entry.stem)?.strip_prefix('_')?;
        let unit = entry.units.iter().find(|word| **word == unit)?;
        Some((entry, *unit))
    })
}

/// The stem a name begins with, where it lacks its unit or carries a wrong one.
pub(super) fn known_stem(name: &str) -> Option<&'static Name> {
    NAMES
        .iter()
        .filter(|entry| !entry.units.is_empty())
        .filter(|entry| {
            name.strip_prefix(entry.stem)
                .is_some_and(|rest| rest.is_empty() || rest.starts_with('_'))
        })
        .max_by_key(|entry| entry.stem.len())
}

/// A name as it might have been meant: blanks, hyphens and brackets become underscores.
pub(super) fn plain_name(name: &str) -> String {
    let parts: Vec<_> = folded(name)
        .split(|c: char| !c.is_alphanumeric())
        .filter(|part| !part.is_empty())
        .map(str::to_owned)
        .collect();
    parts.join("_")
}

/// Full names of a role, as `pulse_width_ms or pulse_width_us`.
pub(super) fn spelled(entry: &Name) -> String {
    if entry.units.is_empty() {
        return entry.stem.to_owned();
    }
    let names: Vec<_> = entry
        .units
        .iter()
        .map(|unit| format!("{}_{unit}", entry.stem))
        .collect();
    names.join(" or ")
}

/// The name of the format that a text is nearest to, if any is near.
pub(super) fn nearest(plain: &str) -> Option<String> {
    if let Some((_, name)) = OTHER_WORDS.iter().find(|(word, _)| *word == plain) {
        return Some((*name).to_owned());
    }
    let names = NAMES.iter().flat_map(|entry| {
        let whole = entry.units.is_empty().then(|| entry.stem.to_owned());
        let united = entry
            .units
            .iter()
            .map(|unit| format!("{}_{unit}", entry.stem));
        whole.into_iter().chain(united)
    });
    near_miss(plain, names)
}

/// The candidate nearest to a text, where at least two thirds of the letters agree.
pub(super) fn near_miss(text: &str, candidates: impl Iterator<Item = String>) -> Option<String> {
    candidates
        .map(|name| (strsim::normalized_damerau_levenshtein(text, &name), name))
        .filter(|(nearness, _)| *nearness >= 0.65)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, name)| name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_stand_at_the_index_of_their_role() {
        for (index, entry) in NAMES.iter().enumerate() {
            assert_eq!(entry.role as usize, index);
        }
    }
}
