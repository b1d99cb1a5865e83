//! From the cells of a row to readings.

use csv::StringRecord;

use super::fault::{Fault, Faults};
use super::grid::Kind;
use super::guard::unguarded;
use super::header::{Column, Columns, Layout};
use super::names::{NAMES, Role};
use super::number::{self, Marks, NotANumber};
use super::read::SetPoints;
use super::reading::Reading;
use super::sweeps::Groups;
use crate::units::{Basis, magnitude_words, within_magnitudes};

/// No train is longer: at 10 ms a pulse this is four months.
pub(super) const MOST_PULSES: f64 = 1e9;
/// Period and frequency may disagree by rounding, as 30 ms and 33.3 Hz do; relative.
const PERIOD_AGREEMENT: f64 = 0.01;

/// What a cell holds.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Cell {
    /// No such column, or an empty cell.
    Empty,
    /// Complained about.
    Bad,
    /// A number in the inner unit.
    Is(f64),
}

impl Cell {
    fn value(self) -> Option<f64> {
        match self {
            Cell::Is(value) => Some(value),
            _ => None,
        }
    }
}

/// One reading with what decides to which sweep it belongs.
pub(super) struct RowReading<'a> {
    pub injector: &'a str,
    pub stage: Option<&'a str>,
    pub voltage_v: Option<f64>,
    pub pressure_kpa: Option<f64>,
    pub basis: Basis,
    pub reading: Reading,
}

/// What became of the cells of one injector in one row.
enum Outcome<'a> {
    /// A reading.
    Read(Box<RowReading<'a>>),
    /// Nothing was read: an empty cell of a wide file, or an excluded row without a quantity.
    NotRead,
    /// At least one cell was complained about.
    Faulty,
}

/// Reads rows of one file.
pub(super) struct RowReader<'f> {
    /// Index of the file.
    pub source: usize,
    /// Whether a comma can be a decimal mark.
    pub decimal_comma: bool,
    /// Decimal marks met so far.
    pub marks: Marks,
    /// Where complaints go.
    pub faults: &'f mut Faults,
}

/// How a train was timed: pulses, or held open.
struct Train {
    pulse_width_ms: f64,
    pulses: f64,
    open_time_s: Option<f64>,
    period_ms: Option<f64>,
}

/// A row of a file.
#[derive(Clone, Copy)]
pub(super) struct Cells<'a> {
    record: &'a StringRecord,
    /// What each cell of a sheet was; empty for a text.
    kinds: &'a [Kind],
    line: u64,
}

impl<'a> Cells<'a> {
    /// The row of a line; `kinds` is empty where all cells are text.
    pub fn new(record: &'a StringRecord, kinds: &'a [Kind], line: u64) -> Self {
        Self {
            record,
            kinds,
            line,
        }
    }
}

/// The cells of one injector in one row.
struct OfInjector<'a> {
    record: &'a StringRecord,
    kinds: &'a [Kind],
    columns: &'a Columns,
    line: u64,
}

impl<'a> OfInjector<'a> {
    fn text(&self, role: Role) -> Option<&'a str> {
        let column = self.columns.get(role)?;
        self.record
            .get(column.index)
            .map(str::trim)
            .filter(|text| !text.is_empty())
    }

    /// What a cell of words means.
    fn words(&self, role: Role) -> Option<&'a str> {
        self.text(role).map(unguarded)
    }

    /// What the cell of a role was.
    fn kind(&self, role: Role) -> Kind {
        let column = self.columns.get(role);
        let kind = column.and_then(|column| self.kinds.get(column.index));
        kind.copied().unwrap_or(Kind::Text)
    }

    fn column(&self, role: Role) -> Option<&'a Column> {
        self.columns.get(role)
    }

    /// Words a complaint about a cell; the column exists since its text was found.
    fn fault(&self, role: Role, expected: impl Into<String>) -> Fault {
        let name = self.column(role).map_or("", |column| column.name.as_str());
        Fault::cell(self.line, name, self.text(role).unwrap_or(""), expected)
    }
}

impl RowReader<'_> {
    /// Reads what a row says about each injector, in the order of their columns.
    pub fn read_each<'a>(
        &mut self,
        row: Cells<'a>,
        layout: &'a Layout,
        unstated: SetPoints,
        mut each: impl FnMut(RowReading<'a>),
    ) {
        for columns in &layout.trains {
            if let Outcome::Read(mut row) = self.read(row, columns) {
                row.voltage_v = row.voltage_v.or(unstated.voltage_v);
                row.pressure_kpa = row.pressure_kpa.or(unstated.pressure_kpa);
                each(*row);
            }
        }
    }

    /// Sorts what a row says into groups; returns whether any of its readings is used.
    pub fn read_into(
        &mut self,
        groups: &mut Groups,
        row: Cells<'_>,
        layout: &Layout,
        unstated: SetPoints,
    ) -> bool {
        let mut used = false;
        self.read_each(row, layout, unstated, |row| {
            used |= row.reading.exclude.is_none();
            groups.add(row);
        });
        used
    }

    /// Reads what a row says about one injector.
    fn read<'a>(&mut self, row: Cells<'a>, columns: &'a Columns) -> Outcome<'a> {
        let cells = OfInjector {
            record: row.record,
            kinds: row.kinds,
            columns,
            line: row.line,
        };
        let foreign = self.refuse_foreign(&cells);
        let injector = match columns.id.as_deref() {
            Some(id) => Some(id),
            None => cells.words(Role::Injector),
        };
        if injector.is_none() && cells.column(Role::Injector).is_some() {
            self.faults
                .push(cells.fault(Role::Injector, "an injector id"));
        }
        let exclude = cells.words(Role::Exclude);
        let voltage = self.above_zero(&cells, Role::Voltage, "a voltage above 0");
        let pressure = self.above_zero(&cells, Role::Pressure, "a differential pressure above 0");
        let train = self.train(&cells);
        let conditions = self.conditions(&cells);
        let repeat = self.repeat(&cells);
        let time_fits = self.time_fits(&cells);
        let Some(amount) = self.amount(&cells, exclude.is_some()) else {
            return Outcome::Faulty;
        };
        let Some((basis, delivered, start_subtracted)) = amount else {
            return Outcome::NotRead;
        };
        let (Some(injector), Some(train), Some(conditions), Ok(repeat), true) =
            (injector, train, conditions, repeat, time_fits)
        else {
            return Outcome::Faulty;
        };
        if voltage == Cell::Bad || pressure == Cell::Bad || foreign {
            return Outcome::Faulty;
        }
        let [voltage_actual_v, pressure_actual_kpa, fluid_temp_c] = conditions;
        let owned = |role| cells.words(role).map(str::to_owned);
        Outcome::Read(Box::new(RowReading {
            injector,
            stage: cells.words(Role::Stage),
            voltage_v: voltage.value(),
            pressure_kpa: pressure.value(),
            basis,
            reading: Reading {
                source: self.source,
                line: row.line,
                pulse_width_ms: train.pulse_width_ms,
                pulses: train.pulses,
                delivered,
                start_subtracted,
                voltage_actual_v,
                pressure_actual_kpa,
                period_ms: train.period_ms,
                open_time_s: train.open_time_s,
                fluid_temp_c,
                vessel: owned(Role::Vessel).or_else(|| columns.id.clone()),
                repeat,
                time: owned(Role::Time),
                note: owned(Role::Note),
                exclude: exclude.map(str::to_owned),
            },
        }))
    }

    /// Complains about cells that hold no text and no number: dates that a sheet made of
    /// something else, and formulas without a value. Returns whether there was one.
    fn refuse_foreign(&mut self, cells: &OfInjector<'_>) -> bool {
        let mut found = false;
        if cells.kinds.is_empty() {
            return found;
        }
        for entry in &NAMES {
            let role = entry.role;
            let may_be_date = matches!(role, Role::Time | Role::Note | Role::Exclude);
            let (what, hint) = match cells.kind(role) {
                Kind::Text | Kind::Number | Kind::Refused => continue,
                Kind::Date if may_be_date => continue,
                Kind::Date => (
                    "no date",
                    "the sheet took what was typed for a date: give the cell the format Number, \
                     or Text for an id, and type it again",
                ),
                Kind::Error if role == Role::Note => continue,
                Kind::Error => (
                    "a value; this formula failed",
                    "mend the formula in the sheet",
                ),
                Kind::Uncomputed => (
                    "a value; this formula was never computed",
                    "open the file in a spreadsheet program and save it",
                ),
            };
            self.faults.push(cells.fault(role, what).hint(hint));
            found = true;
        }
        found
    }

    /// Reads a cell as a number in the inner unit.
    fn number(&mut self, cells: &OfInjector<'_>, role: Role) -> Cell {
        let (Some(column), Some(text)) = (cells.column(role), cells.text(role)) else {
            return Cell::Empty;
        };
        // The mark of a number cell is the program's, not the writer's.
        let mut aside = self.marks;
        let (comma, marks) = match cells.kind(role) {
            Kind::Text => (self.decimal_comma, &mut self.marks),
            Kind::Number => (false, &mut aside),
            // Already complained about.
            Kind::Date | Kind::Error | Kind::Uncomputed | Kind::Refused => return Cell::Bad,
        };
        match number::number(text, comma, marks, cells.line) {
            Ok(value) => {
                let inner = column.to_inner(value);
                if !inner.is_finite() {
                    return self.refuse(cells, role, NotANumber::NotFinite);
                }
                // A temperature may lie as near to zero as it likes.
                let smallest_matters = role != Role::FluidTemp;
                if inner.abs() < 1.0 && !smallest_matters || within_magnitudes(inner) {
                    return Cell::Is(inner);
                }
                self.faults.push(cells.fault(role, magnitude_words()));
                Cell::Bad
            }
            Err(why) => self.refuse(cells, role, why),
        }
    }

    fn refuse(&mut self, cells: &OfInjector<'_>, role: Role, why: NotANumber) -> Cell {
        let what = if why == NotANumber::NotFinite {
            "a finite number"
        } else {
            "a number"
        };
        let unit = cells.column(role).map_or("", |column| column.unit);
        let expected = if unit.is_empty() {
            what.to_owned()
        } else {
            format!("{what} in {unit}")
        };
        let fault = cells.fault(role, expected);
        self.faults.push(match why.hint() {
            Some(hint) => fault.hint(hint),
            None => fault,
        });
        Cell::Bad
    }

    fn above_zero(&mut self, cells: &OfInjector<'_>, role: Role, expected: &str) -> Cell {
        match self.number(cells, role) {
            Cell::Is(value) if value <= 0.0 => {
                self.faults.push(cells.fault(role, expected));
                Cell::Bad
            }
            cell => cell,
        }
    }

    /// Measured voltage, measured pressure and temperature; `None` where one is faulty.
    fn conditions(&mut self, cells: &OfInjector<'_>) -> Option<[Option<f64>; 3]> {
        let voltage = self.above_zero(cells, Role::VoltageActual, "a voltage above 0");
        let pressure = self.above_zero(
            cells,
            Role::PressureActual,
            "a differential pressure above 0",
        );
        let mut temperature = self.number(cells, Role::FluidTemp);
        if temperature
            .value()
            .is_some_and(|celsius| celsius <= -273.15)
        {
            self.faults
                .push(cells.fault(Role::FluidTemp, "a temperature above absolute zero"));
            temperature = Cell::Bad;
        }
        let all = [voltage, pressure, temperature];
        (!all.contains(&Cell::Bad)).then(|| all.map(Cell::value))
    }

    fn repeat(&mut self, cells: &OfInjector<'_>) -> Result<Option<u32>, ()> {
        let Some(text) = cells.text(Role::Repeat) else {
            return Ok(None);
        };
        text.parse().map(Some).map_err(|_| {
            self.faults
                .push(cells.fault(Role::Repeat, "a whole number, or nothing"));
        })
    }

    fn time_fits(&mut self, cells: &OfInjector<'_>) -> bool {
        match cells.text(Role::Time) {
            Some(_) if cells.kind(Role::Time) == Kind::Date => true,
            Some(text) if !number::is_rfc3339(text) => {
                let fault = cells.fault(
                    Role::Time,
                    "a time as 2026-03-14T09:26:53Z (RFC 3339), or nothing",
                );
                self.faults
                    .push(fault.hint("a column for times in another form may be named x_time"));
                false
            }
            _ => true,
        }
    }

    /// The timing of the train; `None` where something is faulty or its column is missing.
    fn train(&mut self, cells: &OfInjector<'_>) -> Option<Train> {
        let open_time = self.above_zero(cells, Role::OpenTime, "a time above 0 s, or nothing");
        let period = self.period(cells);
        if open_time != Cell::Empty {
            let mut filled = false;
            for role in [Role::PulseWidth, Role::Pulses] {
                if cells.text(role).is_some() {
                    let fault = cells.fault(role, "nothing, since open_time_s is filled");
                    self.faults.push(
                        fault.hint("a row is either a train of pulses or a static-flow reading"),
                    );
                    filled = true;
                }
            }
            return match (open_time, period, filled) {
                (Cell::Is(open_time_s), Ok(period_ms), false) => Some(Train {
                    pulse_width_ms: 0.0,
                    pulses: 0.0,
                    open_time_s: Some(open_time_s),
                    period_ms,
                }),
                _ => None,
            };
        }
        let width = self.pulse_width(cells);
        let pulses = self.pulses(cells);
        if let (Some(width), Ok(Some(period))) = (width, period)
            && width >= period
        {
            let shown = crate::units::significant(period, 6);
            let shown = shown.trim_end_matches('0').trim_end_matches('.');
            let expected = format!("a pulse width below the period of {shown} ms");
            self.faults.push(cells.fault(Role::PulseWidth, expected));
            return None;
        }
        Some(Train {
            pulse_width_ms: width?,
            pulses: pulses?,
            open_time_s: None,
            period_ms: period.ok()?,
        })
    }

    fn pulse_width(&mut self, cells: &OfInjector<'_>) -> Option<f64> {
        let column = cells.column(Role::PulseWidth)?;
        match self.number(cells, Role::PulseWidth) {
            Cell::Empty => {
                let expected = format!("a pulse width in {}", column.unit);
                self.faults.push(cells.fault(Role::PulseWidth, expected));
                None
            }
            Cell::Is(width) if width <= 0.0 => {
                let fault = cells.fault(Role::PulseWidth, "a pulse width above 0");
                self.faults.push(fault.hint("for a static-flow reading leave pulse width and pulses empty and fill open_time_s"));
                None
            }
            cell => cell.value(),
        }
    }

    fn pulses(&mut self, cells: &OfInjector<'_>) -> Option<f64> {
        cells.column(Role::Pulses)?;
        let expected = "a whole number of pulses, 1 to 1000000000";
        // A count says nothing about the decimal mark of the file.
        let marks = self.marks;
        let cell = self.number(cells, Role::Pulses);
        self.marks = marks;
        if cell == Cell::Empty {
            self.faults.push(cells.fault(Role::Pulses, expected));
        }
        let pulses = cell.value()?;
        // With a decimal comma allowed, 1,000 would be one pulse and nobody would notice.
        let bytes = cells.text(Role::Pulses).unwrap_or("").as_bytes();
        if number::groups_of_three(bytes, b',') || number::groups_of_three(bytes, b'.') {
            self.refuse(cells, Role::Pulses, NotANumber::Grouped);
            return None;
        }
        if pulses.fract() != 0.0 || !(1.0..=MOST_PULSES).contains(&pulses) {
            let mut fault = cells.fault(Role::Pulses, expected);
            if pulses.fract() != 0.0 {
                fault = fault
                    .hint("each reading is one train: write the number of its pulses, not a mean");
            }
            self.faults.push(fault);
            return None;
        }
        Some(pulses)
    }

    /// The period in ms from its own column or the frequency.
    fn period(&mut self, cells: &OfInjector<'_>) -> Result<Option<f64>, ()> {
        let period = self.above_zero(cells, Role::Period, "a period above 0");
        let frequency = self.above_zero(cells, Role::Frequency, "a frequency above 0");
        match (period, frequency) {
            (Cell::Bad, _) | (_, Cell::Bad) => Err(()),
            (Cell::Is(period), Cell::Is(frequency)) => {
                let other = 1000.0 / frequency;
                if (other / period - 1.0).abs() <= PERIOD_AGREEMENT {
                    return Ok(Some(period));
                }
                let hertz = crate::units::significant(1000.0 / period, 4);
                let expected = format!(
                    "about {hertz}, since {} says so",
                    cells.column(Role::Period).map_or("", |c| &c.name)
                );
                self.faults.push(
                    cells
                        .fault(Role::Frequency, expected)
                        .hint("state the period or the frequency, not both"),
                );
                Err(())
            }
            (Cell::Empty, Cell::Is(frequency)) if (1000.0 / frequency).is_finite() => {
                Ok(Some(1000.0 / frequency))
            }
            (Cell::Empty, Cell::Is(_)) => {
                self.refuse(cells, Role::Frequency, NotANumber::NotFinite);
                Err(())
            }
            (period, Cell::Empty) => Ok(period.value()),
        }
    }

    /// The delivered quantity in mm³ or mg: basis, amount, whether a start reading was subtracted.
    ///
    /// The outer `None` says that something is faulty, the inner one that nothing was read.
    #[allow(clippy::option_option)]
    fn amount(
        &mut self,
        cells: &OfInjector<'_>,
        excluded: bool,
    ) -> Option<Option<(Basis, f64, bool)>> {
        let bases = [
            (Basis::Volume, Role::Volume, Role::VolumeStart),
            (Basis::Mass, Role::Mass, Role::MassStart),
        ];
        let ends = bases.map(|(_, end, _)| self.number(cells, end));
        let starts = bases.map(|(_, _, start)| self.number(cells, start));
        if ends.contains(&Cell::Bad) || starts.contains(&Cell::Bad) {
            return None;
        }
        if ends.iter().all(|end| *end != Cell::Empty) {
            let fault = cells.fault(Role::Mass, "nothing, since the row holds a volume too");
            self.faults
                .push(fault.hint("a reading is a volume or a mass; leave the other empty"));
            return None;
        }
        let Some(which) = ends.iter().position(|end| *end != Cell::Empty) else {
            return self.nothing_read(cells, excluded);
        };
        let (basis, end_role, start_role) = bases[which];
        let (_, _, foreign_start) = bases[1 - which];
        if starts[1 - which] != Cell::Empty {
            let expected = "nothing, since the reading itself is in another quantity";
            self.faults.push(cells.fault(foreign_start, expected));
            return None;
        }
        // A negative difference is judged when the division is known; a balance may drift below zero.
        let start = starts[which].value();
        let judged_later = excluded || (start.is_some() && basis == Basis::Mass);
        for (cell, role) in [(ends[which], end_role), (starts[which], start_role)] {
            if !judged_later && cell.value().is_some_and(|amount| amount < 0.0) {
                self.faults
                    .push(cells.fault(role, "a quantity of at least 0"));
                return None;
            }
        }
        let delivered = ends[which].value()? - start.unwrap_or(0.0);
        Some(Some((basis, delivered, start.is_some())))
    }

    #[allow(clippy::option_option)]
    fn nothing_read(
        &mut self,
        cells: &OfInjector<'_>,
        excluded: bool,
    ) -> Option<Option<(Basis, f64, bool)>> {
        let amount = [Role::Volume, Role::Mass]
            .into_iter()
            .find(|role| cells.column(*role).is_some())?;
        if cells.columns.id.is_none() && !excluded {
            let unit = cells.column(amount).map_or("", |column| column.unit);
            let fault = cells.fault(amount, format!("a number in {unit}"));
            self.faults
                .push(fault.hint("write why in the exclude column where a reading was not made"));
            return None;
        }
        Some(None)
    }
}
