//! Which readings belong together: one injector, stage, voltage and pressure set
//! point in one run.

use std::collections::{BTreeMap, HashMap};

use super::fault::Fault;
use super::reading::{Reading, Sweep};
use super::row::RowReading;
use crate::units::Basis;

/// Voltages that differ by less are one set point, V.
pub const SAME_VOLTAGE_V: f64 = 0.05;
/// Pressures that differ by less are one set point, kPa.
pub const SAME_PRESSURE_KPA: f64 = 0.5;
/// Injectors of captures that are held in memory together.
pub const MOST_INJECTORS: usize = 100_000;
/// Relative slack of a comparison between sums of decimal fractions.
const ROUNDING: f64 = 1e-9;

/// Whether two set points are the same within `tolerance` (both in V, or both in kPa).
pub(super) fn same_set_point(a: f64, b: f64, tolerance: f64) -> bool {
    (a - b).abs() < tolerance * (1.0 - ROUNDING)
}

/// Words met in the files, each kept once, numbered by first appearance.
#[derive(Default)]
struct Words {
    numbers: HashMap<String, usize>,
    list: Vec<String>,
}

impl Words {
    fn knows(&self, word: &str) -> bool {
        self.numbers.contains_key(word)
    }

    fn number(&mut self, word: &str) -> usize {
        if let Some(number) = self.numbers.get(word) {
            return *number;
        }
        let number = self.list.len();
        self.numbers.insert(word.to_owned(), number);
        self.list.push(word.to_owned());
        number
    }
}

/// What readings of one group share, as the cells say it; set points as bits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
struct Key {
    injector: usize,
    stage: Option<usize>,
    pressure: Option<u64>,
    voltage: Option<u64>,
    source: usize,
}

struct Group {
    key: Key,
    basis: Basis,
    readings: Vec<Reading>,
}

/// Readings sorted into groups as they come.
#[derive(Default)]
pub(super) struct Groups {
    injectors: Words,
    stages: Words,
    index: HashMap<Key, usize>,
    /// Where the reading before went.
    latest: Option<(Key, usize)>,
    groups: Vec<Group>,
    /// With the index of their file, at most one each.
    faults: Vec<(usize, Fault)>,
}

/// Neighbouring set points that were taken as one.
pub(super) struct Merged {
    pub low: f64,
    pub high: f64,
    pub taken_as: f64,
}

/// The sweeps with what was noticed while sorting.
pub(super) struct Sorted {
    pub sweeps: Vec<Sweep>,
    pub merged_voltages: Vec<Merged>,
    pub merged_pressures: Vec<Merged>,
    /// Faults with the index of their file.
    pub faults: Vec<(usize, Fault)>,
}

impl Groups {
    /// Adds a reading; set points not stated by its row are already filled in.
    pub fn add(&mut self, row: RowReading<'_>) {
        let (source, line) = (row.reading.source, row.reading.line);
        let Some(injector) = self.injector(row.injector, source, line) else {
            return;
        };
        let key = Key {
            injector,
            stage: row.stage.map(|stage| self.stages.number(stage)),
            pressure: row.pressure_kpa.map(f64::to_bits),
            voltage: row.voltage_v.map(f64::to_bits),
            source,
        };
        if let Some(group) = self.group(key, row.basis, line) {
            group.readings.push(row.reading);
        }
    }

    /// Adds the groups of rows that stand below those added before.
    pub fn absorb(&mut self, below: Self) {
        if self.groups.is_empty() && self.is_sound() {
            *self = below;
            return;
        }
        for Group {
            key,
            basis,
            readings,
        } in below.groups
        {
            let Some(line) = readings.first().map(|first| first.line) else {
                continue;
            };
            let word = &below.injectors.list[key.injector];
            let Some(injector) = self.injector(word, key.source, line) else {
                continue;
            };
            let stage = key.stage.map(|stage| &below.stages.list[stage]);
            let key = Key {
                injector,
                stage: stage.map(|stage| self.stages.number(stage)),
                ..key
            };
            if let Some(group) = self.group(key, basis, line) {
                if group.readings.is_empty() {
                    group.readings = readings;
                } else {
                    group.readings.extend(readings);
                }
            }
        }
        for (source, fault) in below.faults {
            self.complain(source, fault);
        }
    }

    /// Whether nothing was complained about.
    pub fn is_sound(&self) -> bool {
        self.faults.is_empty()
    }

    /// Number of an injector, new or known; complains and gives none where there are too many.
    fn injector(&mut self, word: &str, source: usize, line: u64) -> Option<usize> {
        if self.injectors.list.len() == MOST_INJECTORS && !self.injectors.knows(word) {
            self.complain(source, too_many_injectors(line));
            return None;
        }
        Some(self.injectors.number(word))
    }

    /// The group of a key, new or known; complains and gives none where it is read in another
    /// basis.
    fn group(&mut self, key: Key, basis: Basis, line: u64) -> Option<&mut Group> {
        let next = self.groups.len();
        // Rows of a sweep mostly stand together.
        let at = match self.latest {
            Some((latest, at)) if latest == key => at,
            _ => *self.index.entry(key).or_insert(next),
        };
        self.latest = Some((key, at));
        if at == next {
            // Sweeps are mostly alike.
            let room = self.groups.last().map_or(0, |group| group.readings.len());
            self.groups.push(Group {
                key,
                basis,
                readings: Vec::with_capacity(room),
            });
        }
        let known = &self.groups[at];
        if known.basis != basis {
            let first = known.readings.first().map_or(0, |first| first.line);
            self.complain(key.source, mixed_bases(basis, known.basis, line, first));
            return None;
        }
        Some(&mut self.groups[at])
    }

    /// Keeps the first complaint of a file.
    fn complain(&mut self, source: usize, fault: Fault) {
        match self.faults.iter_mut().find(|(of, _)| *of == source) {
            None => self.faults.push((source, fault)),
            Some((_, known)) if known.line > fault.line => *known = fault,
            Some(_) => {}
        }
    }

    /// Joins groups whose set points are the same and puts all in order.
    pub fn finish(self) -> Sorted {
        let count = |set_point: fn(&Key) -> Option<u64>| {
            let mut counts: BTreeMap<u64, usize> = BTreeMap::new();
            for group in &self.groups {
                if let Some(bits) = set_point(&group.key) {
                    *counts.entry(bits).or_default() += group.readings.len();
                }
            }
            counts
        };
        let voltages = SetPointClasses::of(&count(|key| key.voltage), SAME_VOLTAGE_V);
        let pressures = SetPointClasses::of(&count(|key| key.pressure), SAME_PRESSURE_KPA);
        let mut faults = self.faults;
        // Not stated sorts last, hence the number beyond all others.
        let last = usize::MAX;
        let mut sorted: BTreeMap<[usize; 5], Sweep> = BTreeMap::new();
        for group in self.groups {
            let key = group.key;
            let pressure = key.pressure.map(|bits| pressures.class(bits));
            let voltage = key.voltage.map(|bits| voltages.class(bits));
            let place = [
                key.injector,
                // No stage comes before the first named one.
                key.stage.map_or(0, |stage| stage + 1),
                pressure.unwrap_or(last),
                voltage.unwrap_or(last),
                key.source,
            ];
            let sweep = sorted.entry(place).or_insert_with(|| Sweep {
                injector: self.injectors.list[key.injector].clone(),
                stage: key.stage.map(|stage| self.stages.list[stage].clone()),
                voltage_v: voltage.map(|class| voltages.values[class]),
                pressure_kpa: pressure.map(|class| pressures.values[class]),
                basis: group.basis,
                readings: Vec::new(),
            });
            if sweep.basis != group.basis
                && let (Some(first), Some(later)) = (sweep.readings.first(), group.readings.first())
            {
                let fault = mixed_bases(group.basis, sweep.basis, later.line, first.line);
                faults.push((key.source, fault));
            } else if sweep.readings.is_empty() {
                sweep.readings = group.readings;
            } else {
                sweep.readings.extend(group.readings);
                sweep.readings.sort_by_key(|reading| reading.line);
            }
        }
        Sorted {
            sweeps: sorted.into_values().collect(),
            merged_voltages: voltages.merged,
            merged_pressures: pressures.merged,
            faults,
        }
    }
}

/// Voltage, V, and pressure, kPa, as stated.
type Condition = (Option<f64>, Option<f64>);

/// Joins the conditions of one injector whose set points are the same, as `Groups::finish` does,
/// and puts them in order: the conditions of its sweeps, and the sweep of each condition given.
/// `counts` are the readings of each.
pub fn join_conditions(conditions: &[Condition], counts: &[usize]) -> (Vec<Condition>, Vec<usize>) {
    let count = |set_point: fn(&Condition) -> Option<f64>| {
        let mut all: BTreeMap<u64, usize> = BTreeMap::new();
        for (condition, count) in conditions.iter().zip(counts) {
            if let Some(value) = set_point(condition) {
                *all.entry(value.to_bits()).or_default() += count;
            }
        }
        all
    };
    let voltages = SetPointClasses::of(&count(|c| c.0), SAME_VOLTAGE_V);
    let pressures = SetPointClasses::of(&count(|c| c.1), SAME_PRESSURE_KPA);
    let class = |classes: &SetPointClasses, value: Option<f64>| {
        // Not stated sorts last.
        value.map_or(usize::MAX, |v| classes.class(v.to_bits()))
    };
    let place = |c: &Condition| [class(&pressures, c.1), class(&voltages, c.0)];
    let mut sorted: BTreeMap<[usize; 2], usize> = BTreeMap::new();
    for condition in conditions {
        sorted.insert(place(condition), 0);
    }
    let mut joined = Vec::with_capacity(sorted.len());
    for (number, ([pressure, voltage], slot)) in sorted.iter_mut().enumerate() {
        *slot = number;
        let voltage_v = voltages.values.get(*voltage).copied();
        joined.push((voltage_v, pressures.values.get(*pressure).copied()));
    }
    let places = conditions.iter().map(|c| sorted[&place(c)]).collect();
    (joined, places)
}

fn too_many_injectors(line: u64) -> Fault {
    let found = format!("more than {MOST_INJECTORS} injectors");
    Fault::row(line, found, "fewer injectors at once").hint(
        "part the file by injectors, or send it through `fit --lines`, which takes any number of them",
    )
}

fn mixed_bases(found: Basis, first: Basis, line: u64, first_line: u64) -> Fault {
    let word = |basis| match basis {
        Basis::Volume => "a volume",
        Basis::Mass => "a mass",
    };
    Fault::row(
        line,
        word(found),
        format!(
            "{} as at line {first_line}: a sweep is read in one quantity",
            word(first)
        ),
    )
    .hint("put readings by volume and by mass into files of their own, or name different stages")
}

/// Set points that are the same, each class with the value it is known by.
struct SetPointClasses {
    /// Every stated value in ascending order with its class.
    members: Vec<(f64, usize)>,
    /// The most frequent value of each class, ascending.
    values: Vec<f64>,
    merged: Vec<Merged>,
}

impl SetPointClasses {
    /// Neighbours closer than the tolerance share a class, so that the outcome does
    /// not depend on the order of the rows.
    fn of(counts: &BTreeMap<u64, usize>, tolerance: f64) -> Self {
        let mut stated: Vec<(f64, usize)> = counts
            .iter()
            .map(|(bits, count)| (f64::from_bits(*bits), *count))
            .collect();
        stated.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut classes = Self {
            members: Vec::new(),
            values: Vec::new(),
            merged: Vec::new(),
        };
        for class in stated.chunk_by(|a, b| same_set_point(a.0, b.0, tolerance)) {
            let number = classes.values.len();
            let mut best = class[0];
            for member in class {
                classes.members.push((member.0, number));
                if member.1 > best.1 {
                    best = *member;
                }
            }
            classes.values.push(best.0);
            let (low, high) = (class[0].0, class[class.len() - 1].0);
            if !same_set_point(low, high, tolerance) {
                classes.merged.push(Merged {
                    low,
                    high,
                    taken_as: best.0,
                });
            }
        }
        classes
    }

    fn class(&self, bits: u64) -> usize {
        let value = f64::from_bits(bits);
        let at = self
            .members
            .binary_search_by(|member| member.0.total_cmp(&value));
        self.members[at.expect("every stated set point was counted")].1
    }
}
