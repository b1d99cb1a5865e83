//! The sheet as columns and cells, before it becomes CSV or page.

use std::collections::HashMap;

use super::{Layout, PlannedReading, ReadingUnit, Run, SheetError, Train};

/// What belongs into a cell that is to be filled in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Fill {
    /// The reading; never below zero.
    Reading(ReadingUnit),
    /// The reading before the train.
    Start(ReadingUnit),
    /// Fluid temperature, °C.
    Temperature,
    /// Voltage as measured, V.
    Voltage,
    /// Pressure as measured, kPa.
    Pressure,
    /// A remark.
    Note,
    /// Why the row is left out.
    Exclude,
}

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Holds {
    /// Stands there already.
    Planned,
    /// Is to be filled in.
    Fill(Fill),
}

/// A column of the sheet.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Column {
    /// Name in the capture, as `volume_ml:A1`.
    pub name: String,
    /// Name on paper, as `pulse width, ms`.
    pub words: String,
    /// Injector of a wide column.
    pub injector: Option<String>,
    /// What it holds.
    pub holds: Holds,
}

/// A cell of the sheet.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Cell {
    /// A number.
    Number(f64),
    /// Text.
    Text(String),
    /// To be filled in.
    Box,
    /// Nothing is planned here.
    Blank,
}

/// The sheet.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Grid {
    /// Columns.
    pub columns: Vec<Column>,
    /// Rows of as many cells.
    pub rows: Vec<Vec<Cell>>,
}

fn planned(name: &str, words: &str) -> Column {
    Column {
        name: name.to_owned(),
        words: words.to_owned(),
        injector: None,
        holds: Holds::Planned,
    }
}

fn fill(name: String, words: String, injector: Option<&str>, fill: Fill) -> Column {
    Column {
        name: match injector {
            Some(id) => format!("{name}:{id}"),
            None => name,
        },
        words,
        injector: injector.map(str::to_owned),
        holds: Holds::Fill(fill),
    }
}

/// Lays a run out.
///
/// # Errors
/// [`SheetError`] where the run is empty, a row cannot be run or is planned twice.
pub(super) fn lay_out(run: &Run, layout: Layout) -> Result<Grid, SheetError> {
    run.check()?;
    Ok(match layout {
        Layout::Long => long(run),
        Layout::Wide => wide(run),
    })
}

/// Which of the optional columns the run needs.
struct Needed {
    stage: bool,
    voltage: bool,
    pressure: bool,
    period: bool,
    vessel: bool,
}

impl Needed {
    fn of(rows: &[PlannedReading]) -> Self {
        Self {
            stage: rows.iter().any(|r| r.stage.is_some()),
            voltage: rows.iter().any(|r| r.voltage_v.is_some()),
            pressure: rows.iter().any(|r| r.pressure_kpa.is_some()),
            period: rows.iter().any(|r| r.period_ms.is_some()),
            vessel: rows.iter().any(|r| r.vessel.is_some()),
        }
    }

    /// Columns that describe the train, in order.
    fn train_columns(&self) -> Vec<Column> {
        let mut columns = Vec::new();
        if self.stage {
            columns.push(planned("stage", "stage"));
        }
        if self.voltage {
            columns.push(planned("voltage_v", "supply, V"));
        }
        if self.pressure {
            columns.push(planned("pressure_kpa", "pressure, kPa"));
        }
        columns.push(planned("pulse_width_ms", "pulse width, ms"));
        if self.period {
            columns.push(planned("period_ms", "period, ms"));
        }
        columns.push(planned("pulses", "pulses"));
        columns.push(planned("repeat", "repeat"));
        columns
    }

    fn train_cells(&self, row: &PlannedReading) -> Vec<Cell> {
        let text = |t: &Option<String>| t.clone().map_or(Cell::Blank, Cell::Text);
        let number = |x: Option<f64>| x.map_or(Cell::Blank, Cell::Number);
        let mut cells = Vec::new();
        if self.stage {
            cells.push(text(&row.stage));
        }
        if self.voltage {
            cells.push(number(row.voltage_v));
        }
        if self.pressure {
            cells.push(number(row.pressure_kpa));
        }
        cells.push(Cell::Number(row.pulse_width_ms));
        if self.period {
            cells.push(number(row.period_ms));
        }
        cells.push(Cell::Number(row.pulses as f64));
        cells.push(Cell::Number(row.repeat as f64));
        cells
    }
}

/// The boxes for the reading itself, and for the one before the train.
fn reading_columns(run: &Run, injector: Option<&str>) -> Vec<Column> {
    let (stem, suffix, shown) = (run.unit.stem(), run.unit.suffix(), run.unit.shown());
    let mut columns = Vec::new();
    if run.beside.start {
        columns.push(fill(
            format!("{stem}_start_{suffix}"),
            format!("before, {shown}"),
            injector,
            Fill::Start(run.unit),
        ));
    }
    columns.push(fill(
        format!("{stem}_{suffix}"),
        format!("{stem}, {shown}"),
        injector,
        Fill::Reading(run.unit),
    ));
    columns
}

/// The boxes that a row has once.
fn row_columns(run: &Run) -> Vec<Column> {
    let mut columns = Vec::new();
    let mut push = |wanted: bool, name: &str, words: &str, what: Fill| {
        if wanted {
            columns.push(fill(name.to_owned(), words.to_owned(), None, what));
        }
    };
    push(
        run.beside.voltage,
        "voltage_actual_v",
        "measured, V",
        Fill::Voltage,
    );
    push(
        run.beside.pressure,
        "pressure_actual_kpa",
        "measured, kPa",
        Fill::Pressure,
    );
    push(
        run.beside.temperature,
        "fluid_temp_c",
        "fluid, °C",
        Fill::Temperature,
    );
    push(true, "note", "note", Fill::Note);
    push(true, "exclude", "leave out because", Fill::Exclude);
    columns
}

fn long(run: &Run) -> Grid {
    let needed = Needed::of(&run.rows);
    let mut columns = vec![planned("x_row", "row"), planned("injector", "injector")];
    columns.extend(needed.train_columns());
    if needed.vessel {
        columns.push(planned("vessel", "vessel"));
    }
    let boxes: Vec<Column> = reading_columns(run, None)
        .into_iter()
        .chain(row_columns(run))
        .collect();
    let row = |(at, reading): (usize, &PlannedReading)| {
        let mut cells = vec![
            Cell::Number((at + 1) as f64),
            Cell::Text(reading.injector.trim().to_owned()),
        ];
        cells.extend(needed.train_cells(reading));
        if needed.vessel {
            cells.push(reading.vessel.clone().map_or(Cell::Blank, Cell::Text));
        }
        cells.extend(boxes.iter().map(|_| Cell::Box));
        cells
    };
    let rows = run.rows.iter().enumerate().map(row).collect();
    columns.extend(boxes);
    Grid { columns, rows }
}

fn wide(run: &Run) -> Grid {
    let needed = Needed::of(&run.rows);
    let mut injectors: Vec<&str> = Vec::new();
    let mut trains: Vec<(&PlannedReading, HashMap<&str, &PlannedReading>)> = Vec::new();
    let mut places: HashMap<Train<'_>, usize> = HashMap::new();
    for reading in &run.rows {
        let id = reading.injector.trim();
        if !injectors.contains(&id) {
            injectors.push(id);
        }
        let place = *places.entry(reading.train()).or_insert_with(|| {
            trains.push((reading, HashMap::new()));
            trains.len() - 1
        });
        trains[place].1.insert(id, reading);
    }
    let mut columns = vec![planned("x_row", "row")];
    columns.extend(needed.train_columns());
    for id in &injectors {
        if needed.vessel {
            let mut vessel = planned(&format!("vessel:{id}"), "vessel");
            vessel.injector = Some((*id).to_owned());
            columns.push(vessel);
        }
        columns.extend(reading_columns(run, Some(id)));
    }
    let last = row_columns(run);
    let per_injector = reading_columns(run, None).len();
    let row =
        |(at, (first, members)): (usize, &(&PlannedReading, HashMap<&str, &PlannedReading>))| {
            let mut cells = vec![Cell::Number((at + 1) as f64)];
            cells.extend(needed.train_cells(first));
            for id in &injectors {
                let member = members.get(id);
                if needed.vessel {
                    let vessel = member.and_then(|m| m.vessel.clone());
                    cells.push(vessel.map_or(Cell::Blank, Cell::Text));
                }
                let cell = if member.is_some() {
                    Cell::Box
                } else {
                    Cell::Blank
                };
                cells.extend(std::iter::repeat_n(cell, per_injector));
            }
            cells.extend(last.iter().map(|_| Cell::Box));
            cells
        };
    let rows = trains.iter().enumerate().map(row).collect();
    columns.extend(last);
    Grid { columns, rows }
}
