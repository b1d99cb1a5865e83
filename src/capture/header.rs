//! Which column says what: from the header row to the columns of each injector, long or wide.

use csv::StringRecord;

use super::fault::{Fault, Faults};
use super::names::{
    NAMES, Name, ROLES, Role, find, folded, known_stem, near_miss, nearest, plain_name, spelled,
};

/// How a number of a cell becomes one in the inner unit.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Scale {
    Times(f64),
    Over(f64),
    Fahrenheit,
}

/// A column of the file.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Column {
    /// Index of its cells.
    pub index: usize,
    /// Name as it stands in the file.
    pub name: String,
    /// Unit word; empty where the column has none.
    pub unit: &'static str,
    scale: Scale,
}

impl Column {
    /// Turns the number of a cell into the inner unit.
    pub fn to_inner(&self, value: f64) -> f64 {
        match self.scale {
            Scale::Times(factor) => value * factor,
            Scale::Over(divisor) => value / divisor,
            Scale::Fahrenheit => (value - 32.0) / 1.8,
        }
    }
}

/// The columns from which the reading of one injector is made.
#[derive(Debug, Clone)]
pub(super) struct Columns {
    /// Injector of a wide column; `None` in a long file.
    pub id: Option<String>,
    columns: [Option<Column>; ROLES],
}

impl Columns {
    /// The column of a role.
    pub fn get(&self, role: Role) -> Option<&Column> {
        self.columns[role as usize].as_ref()
    }
}

/// What the header says.
#[derive(Debug)]
pub(super) struct Layout {
    /// Cells of a row.
    pub cells: usize,
    /// One set of columns in a long file, one per injector in a wide one.
    pub trains: Vec<Columns>,
}

/// Columns of a capture, text or sheet: three hundred injectors in a wide file, with their start readings.
pub(super) const MOST_COLUMNS: usize = 1024;

/// One header cell, understood.
struct Named {
    role: Role,
    id: Option<String>,
    column: Column,
}

/// Reads the header row; complaints go to `faults`.
///
/// Returns `None` where not one name is known, that is, where the row is no header.
pub(super) fn read_header(record: &StringRecord, line: u64, faults: &mut Faults) -> Option<Layout> {
    let mut named = Vec::new();
    let mut unknown = Vec::new();
    let last = (0..record.len()).rfind(|at| !record[*at].trim().is_empty())?;
    let cells = last + 1;
    if cells > MOST_COLUMNS {
        let fault = Fault::row(
            line,
            format!("{cells} columns"),
            format!("at most {MOST_COLUMNS}"),
        );
        faults.push(fault.hint("part the file by injectors, or write a row for each reading"));
        return None;
    }
    for (index, cell) in record.iter().take(cells).enumerate() {
        let cell = cell.trim();
        if cell.to_lowercase().starts_with("x_") {
            continue;
        }
        match understand(cell, index) {
            Some(found) => named.push(found),
            None => unknown.push(cell),
        }
    }
    if named.is_empty() && !unknown.iter().any(|cell| has_known_stem(cell)) {
        let found = record.iter().next().unwrap_or("").trim();
        faults.push(
            Fault::cell(
                line,
                "1",
                found,
                "a header row of column names, as injector, pulse_width_ms, pulses, volume_ml",
            )
            .hint("the first row that is no comment names the columns, each with its unit"),
        );
        return None;
    }
    let mut meant = Vec::new();
    for cell in unknown {
        let (fault, role) = complaint(cell, line);
        meant.extend(role);
        faults.push(fault);
    }
    refuse_doubles(&named, line, faults);
    let trains = arrange(named, line, faults);
    report_missing(&trains, &meant, line, faults);
    Some(Layout { cells, trains })
}

impl Layout {
    /// The column that stands at an index: its name in the file and what it says.
    pub fn column_at(&self, index: usize) -> Option<(&str, Role)> {
        self.trains.iter().find_map(|train| {
            let mut columns = train.columns.iter().zip(&NAMES);
            columns.find_map(|(column, entry)| {
                let column = column.as_ref().filter(|column| column.index == index)?;
                Some((column.name.as_str(), entry.role))
            })
        })
    }
}

/// How many of the columns that a capture needs a row seems to name: injector, pulse
/// width, pulses and quantity, well or badly spelled.
pub(super) fn header_score<'c>(cells: impl Iterator<Item = &'c str>) -> usize {
    let mut named = [false; 4];
    for cell in cells {
        let (name, id) = split_id(cell.trim());
        let plain = plain_name(name);
        let role = find(&folded(name))
            .map(|(entry, _)| entry.role)
            .or_else(|| known_stem(&plain).map(|entry| entry.role));
        match role {
            Some(Role::Injector) => named[0] = true,
            Some(Role::PulseWidth) => named[1] = true,
            Some(Role::Pulses) => named[2] = true,
            Some(Role::Volume | Role::Mass) => {
                named[3] = true;
                // A wide file names its injectors in its quantities.
                named[0] |= id.is_some();
            }
            _ => {}
        }
    }
    named.iter().filter(|named| **named).count()
}

/// Splits `volume_ml:ID`; the id keeps its letter case.
fn split_id(cell: &str) -> (&str, Option<&str>) {
    match cell.split_once(':') {
        Some((name, id)) => (name.trim(), Some(id.trim())),
        None => (cell, None),
    }
}

fn understand(cell: &str, index: usize) -> Option<Named> {
    let (name, id) = split_id(cell);
    let (entry, unit) = find(&folded(name))?;
    Some(Named {
        role: entry.role,
        id: id.map(str::to_owned),
        column: Column {
            index,
            name: cell.to_owned(),
            unit,
            scale: scale(entry, unit),
        },
    })
}

fn scale(entry: &Name, unit: &str) -> Scale {
    if unit == "f" {
        return Scale::Fahrenheit;
    }
    let factor = entry
        .quantity
        .and_then(|quantity| quantity.units().iter().find(|(word, _)| *word == unit))
        .map_or(1.0, |(_, factor)| *factor);
    // 2300 us must be the same number as 2.3 ms: a division rounds once, times 0.001 twice.
    let divisor = (1.0 / factor).round();
    if factor < 1.0 && (divisor * factor - 1.0).abs() < 1e-12 {
        Scale::Over(divisor)
    } else {
        Scale::Times(factor)
    }
}

fn has_known_stem(cell: &str) -> bool {
    known_stem(&plain_name(split_id(cell).0)).is_some()
}

/// Words the complaint about an unknown name; returns also the role it was probably meant for.
pub(super) fn complaint(cell: &str, line: u64) -> (Fault, Option<Role>) {
    let (name, _) = split_id(cell);
    let plain = plain_name(name);
    if cell.is_empty() {
        let fault = Fault::cell(line, "without a name", cell, "a column name")
            .hint("name the column; one that starts with x_ is ignored");
        return (fault, None);
    }
    let exact = find(&plain).map(|(entry, _)| (plain.clone(), entry.role));
    if let Some((name, role)) = exact {
        return (unknown(cell, line, Some(&name)), Some(role));
    }
    if let Some(entry) = known_stem(&plain) {
        let rest = plain[entry.stem.len()..].trim_start_matches('_');
        let units = entry.units.join(", ");
        let hint = if rest.is_empty() {
            format!("the unit stands in the header; units that fit: {units}")
        } else {
            format!(
                "`{rest}` is no unit for {}; units that fit: {units}",
                entry.stem
            )
        };
        return (
            Fault::cell(line, cell, cell, spelled(entry)).hint(hint),
            Some(entry.role),
        );
    }
    let near = nearest(&plain);
    let role = near.as_deref().and_then(find).map(|(entry, _)| entry.role);
    (unknown(cell, line, near.as_deref()), role)
}

fn unknown(cell: &str, line: u64, near: Option<&str>) -> Fault {
    let hint = match near {
        Some(near) => format!("did you mean {near}? A column whose name starts with x_ is ignored"),
        None => "a column whose name starts with x_ is ignored".to_owned(),
    };
    Fault::cell(line, cell, cell, "a column name of the capture format").hint(hint)
}

/// Two columns may not say the same thing, even in different units.
fn refuse_doubles(named: &[Named], line: u64, faults: &mut Faults) {
    for (at, later) in named.iter().enumerate() {
        let first = named[..at]
            .iter()
            .find(|earlier| earlier.role == later.role && earlier.id == later.id);
        if let Some(first) = first {
            let stem = NAMES[later.role as usize].stem;
            let fault = Fault::row(
                line,
                format!("{} beside {}", later.column.name, first.column.name),
                format!("one column for {stem}"),
            );
            faults.push(fault.in_column(&later.column.name));
        }
    }
}

fn is_amount(role: Role) -> bool {
    matches!(role, Role::Volume | Role::Mass)
}

/// The injectors of a wide file: those with a quantity column, in the order of the header.
fn train_ids(named: &[Named]) -> Vec<String> {
    let mut ids: Vec<String> = Vec::new();
    for entry in named.iter().filter(|entry| is_amount(entry.role)) {
        if let Some(id) = entry
            .id
            .as_ref()
            .filter(|id| !id.is_empty() && !ids.contains(id))
        {
            ids.push(id.clone());
        }
    }
    ids
}

/// Sorts the columns into one set per injector.
fn arrange(named: Vec<Named>, line: u64, faults: &mut Faults) -> Vec<Columns> {
    let ids = train_ids(&named);
    let wide = named.iter().any(|entry| entry.id.is_some());
    let mut shared: [Option<Column>; ROLES] = Default::default();
    let mut own = Vec::new();
    for entry in named {
        let name = &entry.column.name;
        match &entry.id {
            Some(id) if id.is_empty() => faults.push(
                Fault::cell(line, name, name, "an injector id after the colon")
                    .hint("as volume_ml:A1"),
            ),
            Some(_) if entry.role == Role::Injector => {
                faults.push(Fault::cell(line, name, name, "injector without an id"));
            }
            Some(id) if !ids.contains(id) => faults.push(stray_id(name, id, &ids, line)),
            Some(_) => own.push(entry),
            None if wide && entry.role == Role::Injector => faults.push(
                Fault::row(
                    line,
                    "an injector column beside columns with an injector's id",
                    "one or the other",
                )
                .in_column(name)
                .hint("a wide file names its injectors in the header: volume_ml:A1"),
            ),
            None if wide && is_amount(entry.role) => faults.push(
                Fault::cell(
                    line,
                    name,
                    name,
                    format!("{name}:ID, since other columns name their injector"),
                )
                .hint("a wide file has one quantity column per injector"),
            ),
            None => {
                shared[entry.role as usize].get_or_insert(entry.column);
            }
        }
    }
    if !wide {
        return vec![Columns {
            id: None,
            columns: shared,
        }];
    }
    let mut trains: Vec<_> = ids
        .into_iter()
        .map(|id| Columns {
            id: Some(id),
            columns: shared.clone(),
        })
        .collect();
    for entry in own {
        if let Some(train) = trains.iter_mut().find(|train| train.id == entry.id) {
            train.columns[entry.role as usize] = Some(entry.column);
        }
    }
    trains
}

fn stray_id(name: &str, id: &str, ids: &[String], line: u64) -> Fault {
    let fault = Fault::cell(
        line,
        name,
        name,
        format!("a volume or mass column of injector {id} beside it"),
    );
    match near_miss(id, ids.iter().cloned()) {
        Some(near) => fault.hint(format!("did you mean {near}?")),
        None => fault,
    }
}

/// Complains about needed columns that are absent, unless a near miss was complained about.
fn report_missing(trains: &[Columns], meant: &[Role], line: u64, faults: &mut Faults) {
    let Some(first) = trains.first() else {
        let fault = Fault::row(
            line,
            "no quantity column",
            "a column as volume_ml:ID for each injector",
        );
        faults.push(fault.in_column("volume_ml:ID"));
        return;
    };
    let has = |role| first.get(role).is_some() || meant.contains(&role);
    let mut missing = |column: &str, expected: String| {
        faults.push(Fault::row(line, "no such column", expected).in_column(column));
    };
    if first.id.is_none() && !has(Role::Injector) {
        missing(
            "injector",
            "a column injector, or columns as volume_ml:ID".to_owned(),
        );
    }
    if !has(Role::PulseWidth) {
        missing("pulse_width_ms", spelled(&NAMES[Role::PulseWidth as usize]));
    }
    if !has(Role::Pulses) {
        missing(
            "pulses",
            "a column pulses: how many pulses the train had".to_owned(),
        );
    }
    if !has(Role::Volume) && !has(Role::Mass) {
        let (volume, mass) = (&NAMES[Role::Volume as usize], &NAMES[Role::Mass as usize]);
        missing(
            "volume_ml",
            format!("{} or {}", spelled(volume), spelled(mass)),
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn header(text: &str) -> (Option<Layout>, Vec<Fault>) {
        let mut faults = Faults::new("run.csv");
        let record = StringRecord::from(text.split(',').collect::<Vec<_>>());
        let layout = read_header(&record, 1, &mut faults);
        (layout, faults.finish())
    }

    #[test]
    fn every_name_of_the_format_is_read_in_any_letter_case() {
        for entry in &NAMES {
            let units: Vec<_> = if entry.units.is_empty() {
                vec![""]
            } else {
                entry.units.to_vec()
            };
            for unit in units {
                let name = [entry.stem, unit].join(if unit.is_empty() { "" } else { "_" });
                for cell in [name.clone(), name.to_uppercase()] {
                    let found = understand(&cell, 0).unwrap();
                    assert_eq!((found.role, found.column.unit), (entry.role, unit));
                }
                if let Some(quantity) = entry.quantity {
                    assert!(
                        quantity.units().iter().any(|(word, _)| *word == unit),
                        "{name}"
                    );
                }
            }
        }
    }

    #[test]
    fn wide_columns_belong_to_their_injector_and_the_rest_is_shared() {
        let (layout, faults) =
            header("pulse_width_us,pulses,volume_ml:B,volume_cc:A,exclude:A,x_any");
        assert_eq!(faults, []);
        let layout = layout.unwrap();
        let ids: Vec<_> = layout
            .trains
            .iter()
            .map(|t| t.id.as_deref().unwrap())
            .collect();
        assert_eq!(ids, ["B", "A"]);
        assert!(layout.trains[0].get(Role::Exclude).is_none());
        assert_eq!(layout.trains[1].get(Role::Exclude).unwrap().index, 4);
        assert_eq!(layout.trains[1].get(Role::Pulses).unwrap().index, 1);
    }

    #[test]
    fn a_near_miss_is_suggested_and_not_reported_missing_as_well() {
        let (_, faults) = header("injektor,pulse_width_ms,pulses,volume");
        let hints: Vec<_> = faults.iter().map(|f| f.hint.as_deref().unwrap()).collect();
        assert_eq!(faults.len(), 2, "{faults:?}");
        assert!(hints[0].contains("did you mean injector?"));
        assert!(hints[1].contains("units that fit: ml, cc, ul, mm3"));
    }

    #[test]
    fn microseconds_are_the_same_numbers_as_milliseconds() {
        let column = understand("pulse_width_us", 0).unwrap().column;
        for tenths in 1..500 {
            let ms: f64 = format!("{}.{}", tenths / 10, tenths % 10).parse().unwrap();
            assert_eq!(column.to_inner(f64::from(tenths * 100)), ms);
        }
    }
}
