//! A mapping file for a sheet that was looked at: what it says by itself is stated, and
//! what it does not say is asked, never guessed.

mod top;

use csv::StringRecord;

use super::apply::MappedRows;
use super::draft::{Draft, Line, Open, listed, quoted};
use super::file::parse;
use super::groups::{Known, Readings, readings};
use super::labels::{Label, labels};
use super::meaning::{What, columns_of};
use super::pattern::Pattern;
use super::shape::{Column, Shape};
use super::titles;
use super::values::{look_measured, range};
use super::view::{Foreign, foreign_grid};
use crate::capture::CaptureFile;
use crate::capture::fault::{Fault, Faults};
use crate::capture::names::{NAMES, Role};
use crate::capture::number::is_rfc3339;

/// Rows that are shown as understood.
const SHOWN_ROWS: usize = 5;

/// A proposed mapping file.
#[derive(Debug, Clone)]
pub struct Proposal {
    /// The text of the file.
    pub text: String,
    /// What is left to fill in.
    pub questions: Vec<String>,
    /// Columns of the sheet that would not be read.
    pub not_read: Vec<String>,
    /// Sheets of a workbook that hold numbers too.
    pub other_sheets: Vec<String>,
    /// Names of the columns as understood; one with a `?` is asked about.
    pub names: Vec<String>,
    /// The first rows as understood.
    pub rows: Vec<Vec<String>>,
}

/// Looks at a sheet and proposes how it is to be read.
///
/// # Errors
/// A fault where the file cannot be read, or holds no number.
pub fn propose(file: &CaptureFile) -> Result<Proposal, Box<Fault>> {
    let named = |fault: Box<Fault>| Box::new(fault.of(&file.name));
    let foreign = foreign_grid(file, None).map_err(named)?;
    let shape = Shape::of(&foreign.grid).map_err(named)?;
    let columns = shape.columns();
    if columns.iter().all(|column| column.numbers == 0) {
        let fault = Fault::whole("no column of numbers", "a sheet of readings");
        return Err(named(Box::new(fault)));
    }
    let mut proposer = Proposer {
        labels: labels(&shape),
        used: vec![false; columns.len()],
        said: Vec::new(),
        counts: Vec::new(),
        beside: false,
        draft: Draft::default(),
        shape,
        columns,
    };
    proposer.columns_by_name();
    proposer.state_labels();
    proposer.readings();
    proposer.missing();
    let not_read = proposer.top(&foreign);
    let mut draft = proposer.draft;
    draft.ask_what_cannot_be_read(&file.name);
    let (names, rows) = first_rows(&draft, &file.name, &foreign);
    Ok(Proposal {
        text: draft.text(&file.name, Open::Asked),
        questions: draft.questions(),
        not_read,
        other_sheets: foreign.other_sheets,
        names,
        rows,
    })
}

/// A mapping file while it is thought about.
struct Proposer<'g> {
    shape: Shape<'g>,
    columns: Vec<Column>,
    labels: Vec<Label>,
    /// Columns that are stated or asked about.
    used: Vec<bool>,
    /// Roles that are stated or asked about.
    said: Vec<Role>,
    /// Columns of counts.
    counts: Vec<usize>,
    /// Whether blocks stand side by side, each with columns of its own.
    beside: bool,
    draft: Draft,
}

impl Proposer<'_> {
    /// What columns say by their names, all but the readings.
    fn columns_by_name(&mut self) {
        for entry in &NAMES {
            let role = entry.role;
            if matches!(
                role,
                Role::Volume | Role::Mass | Role::VolumeStart | Role::MassStart
            ) {
                continue;
            }
            let found: Vec<usize> = (0..self.columns.len())
                .filter(|at| self.is_for(*at, role))
                .collect();
            match found[..] {
                [] => continue,
                [first, ..] => {
                    // Blocks side by side have each their own, as many as there are readings.
                    let amounts = self
                        .columns
                        .iter()
                        .filter(|c| super::groups::is_amount(c))
                        .count();
                    let beside = found.len() > 1 && found.len() == amounts;
                    let taken = if beside { found } else { vec![first] };
                    self.beside |= beside;
                    self.state(role, &taken);
                }
            }
        }
    }

    fn is_for(&self, at: usize, role: Role) -> bool {
        let column = &self.columns[at];
        let said = column.meaning.what == Some(What::Is(role));
        if !said || column.cells.is_empty() || self.used[at] {
            return false;
        }
        let numeric = !NAMES[role as usize].units.is_empty() || role == Role::Pulses;
        match role {
            // `Inj 1`, `Inj 2` above numbers are columns of readings.
            Role::Injector => column.meaning.rest.is_empty() || column.numbers == 0,
            Role::Time => column.cells.iter().all(|text| is_rfc3339(text)),
            Role::Repeat => column.cells.iter().all(|text| text.parse::<u32>().is_ok()),
            Role::PulseWidth => column.numbers > 0 && !super::groups::names_a_width(column),
            _ if numeric => column.numbers > 0,
            _ => true,
        }
    }

    /// States what some columns are, or asks for their unit.
    fn state(&mut self, role: Role, found: &[usize]) {
        let names: Vec<String> = found
            .iter()
            .map(|at| self.columns[*at].name.clone())
            .collect();
        let value = listed(&names, |name| quoted(name));
        let first = &self.columns[found[0]];
        let mut options = first.meaning.columns();
        if matches!(role, Role::Voltage | Role::Pressure) && look_measured(&first.cells) {
            let actual = match role {
                Role::Voltage => Role::VoltageActual,
                _ => Role::PressureActual,
            };
            options.extend(columns_of(&[actual], first.meaning.unit));
        }
        let range = range(&first.cells);
        self.propose(&options, &value, &format!("{:?} holds {range}", names[0]));
        if role == Role::Pulses {
            self.counts.extend(found);
        }
        self.said.push(role);
        found.iter().for_each(|at| self.used[*at] = true);
        let filled = self.columns[found[0]].cells.len();
        let may_be_left_out = matches!(
            role,
            Role::Injector
                | Role::PulseWidth
                | Role::Pulses
                | Role::Voltage
                | Role::Pressure
                | Role::Stage
        );
        let starts = self
            .shape
            .body
            .first()
            .is_some_and(|row| !self.shape.view.is_blank(*row, self.columns[found[0]].at));
        if may_be_left_out && starts && filled < self.shape.body.len() && found.len() == 1 {
            let key = options[0].clone();
            self.fill_down(key);
        }
    }

    fn fill_down(&mut self, key: String) {
        let remark = format!("An empty cell of {key} repeats the one above it.");
        self.draft.top.push(Line::Remark(remark));
        self.draft.top.push(Line::Say("fill_down".to_owned(), key));
    }

    /// One line where nothing is open, else a question.
    fn propose(&mut self, options: &[String], value: &str, what: &str) {
        let question = || format!("{what}; the sheet does not say which of these it is:");
        self.draft.columns.push(Line::of(options, value, question));
    }

    /// What stands beside the table, where no column says it.
    fn state_labels(&mut self) {
        let mut patterns: Vec<Pattern> = Vec::new();
        for label in self.labels.clone() {
            if self.said.contains(&label.role) {
                continue;
            }
            self.said.push(label.role);
            patterns.push(Pattern::new(&label.pattern));
            let value = quoted(&label.pattern);
            let says = || format!("{:?} says {:?}", label.pattern, label.value);
            let question = || format!("{}; its unit is not said:", says());
            let line = Line::of(&label.columns, &value, question);
            self.draft.labels.push(line);
        }
        // A row that only looked like a label is none of the readings either.
        for row in self.shape.label_rows.clone() {
            let view = &self.shape.view;
            let cells = || (0..view.width()).map(|c| view.text(row, c));
            let taken = cells().any(|text| patterns.iter().any(|p| p.fits(text)));
            if !taken && let Some(text) = cells().find(|text| !text.is_empty()) {
                let text = super::pattern::one_line(text);
                self.shape.pass_over.push(text);
            }
        }
    }

    /// The columns of readings, and what tells them apart.
    fn readings(&mut self) {
        let known = Known {
            injector: self.said.contains(&Role::Injector),
            width: self.said.contains(&Role::PulseWidth),
            beside: self.beside,
        };
        let mut open: Vec<Column> = self.columns.clone();
        for (column, used) in open.iter_mut().zip(&self.used) {
            // What is stated already is no reading.
            column.numbers = if *used { 0 } else { column.numbers };
        }
        let found = readings(&open, known);
        let Some(first) = found.columns.first() else {
            return;
        };
        let names: Vec<String> = found
            .columns
            .iter()
            .map(|at| open[*at].name.clone())
            .collect();
        let value = listed(&names, |name| quoted(name));
        let options = self.amount_options(&found);
        let all: Vec<String> = found
            .columns
            .iter()
            .flat_map(|at| open[*at].cells.clone())
            .collect();
        let what = match names.len() {
            1 => format!("{:?} holds {}", names[0], range(&all)),
            n => format!("{n} columns from {:?} on hold {}", names[0], range(&all)),
        };
        self.propose(&options, &value, &what);
        found.columns.iter().for_each(|at| self.used[*at] = true);
        self.said.push(Role::Volume);
        self.before(&open, found.columns.len(), open[*first].meaning.unit);
        self.apart(&found);
    }

    /// Readings before the train, where there are as many.
    fn before(&mut self, open: &[Column], readings: usize, unit: Option<&'static str>) {
        let found: Vec<usize> = (0..open.len())
            .filter(|at| open[*at].meaning.what == Some(What::Start) && open[*at].numbers > 0)
            .collect();
        if found.is_empty() || found.len() != readings && found.len() != 1 {
            return;
        }
        let mut meaning = open[found[0]].meaning.clone();
        meaning.unit = meaning.unit.or(unit);
        let names: Vec<String> = found.iter().map(|at| open[*at].name.clone()).collect();
        let what = format!("{:?} holds what was read before", names[0]);
        self.propose(
            &meaning.columns(),
            &listed(&names, |name| quoted(name)),
            &what,
        );
        found.iter().for_each(|at| self.used[*at] = true);
    }

    /// What the readings may be: one name where the unit is said, by a column or above the table.
    fn amount_options(&self, found: &Readings) -> Vec<String> {
        let what = found
            .columns
            .first()
            .and_then(|at| self.columns[*at].meaning.what);
        let roles: &[Role] = match what {
            Some(What::Is(Role::Volume)) => &[Role::Volume],
            Some(What::Is(Role::Mass)) => &[Role::Mass],
            _ => &[Role::Volume, Role::Mass],
        };
        let mut units = found
            .columns
            .iter()
            .map(|at| self.columns[*at].meaning.unit);
        let first = units.next().flatten();
        let first = first.filter(|unit| titles::fits(roles, unit));
        let unit = first.filter(|first| units.all(|other| other == Some(first)));
        columns_of(
            roles,
            unit.or_else(|| titles::amount_unit(&self.shape, roles)),
        )
    }

    /// What tells the readings of a line apart.
    fn apart(&mut self, found: &Readings) {
        let text = |list: &[String]| listed(list, |item| quoted(item));
        if !found.injectors.is_empty() {
            self.said.push(Role::Injector);
            let value = text(&found.injectors);
            self.draft
                .constants
                .push(Line::Say("injector".to_owned(), value.clone()));
            let remark = "Each into a vessel of its own, named like it; take the line away if one served all.";
            self.draft.constants.push(Line::Remark(remark.to_owned()));
            self.draft
                .constants
                .push(Line::Say("vessel".to_owned(), value));
        }
        if !found.widths.is_empty() {
            self.said.push(Role::PulseWidth);
            let value = format!("[{}]", found.widths.join(", "));
            let unit = found.width_unit.or_else(|| titles::width_unit(&self.shape));
            let options = columns_of(&[Role::PulseWidth], unit);
            let question =
                || "the names of the columns are pulse widths; their unit is not said:".to_owned();
            let line = Line::of(&options, &value, question);
            self.draft.constants.push(line);
        }
        if !found.repeats.is_empty() && !self.said.contains(&Role::Repeat) {
            self.said.push(Role::Repeat);
            let list: Vec<String> = found.repeats.iter().map(usize::to_string).collect();
            let value = format!("[{}]", list.join(", "));
            self.draft
                .constants
                .push(Line::Say("repeat".to_owned(), value));
        }
    }

    /// Asks for what a capture needs and nothing says.
    fn missing(&mut self) {
        let needed = [
            (Role::Injector, "injector"),
            (Role::PulseWidth, "pulse width"),
            (Role::Pulses, "number of pulses"),
            (Role::Volume, "quantity that was read"),
        ];
        for (role, words) in needed {
            if self.said.contains(&role) {
                continue;
            }
            let roles: &[Role] = match role {
                Role::Volume => &[Role::Volume, Role::Mass],
                _ => std::slice::from_ref(&role),
            };
            let keys = |unit| columns_of(roles, unit);
            let numeric = role != Role::Injector;
            let options: Vec<(String, String)> = (0..self.columns.len())
                .filter(|at| !self.used[*at] && !self.columns[*at].cells.is_empty())
                .filter(|at| !numeric || self.columns[*at].numbers > 0)
                .flat_map(|at| {
                    let column = &self.columns[at];
                    let value = quoted(&column.name);
                    let keys = keys(column.meaning.unit).into_iter();
                    keys.map(move |key| (key, value.clone()))
                })
                .collect();
            let in_columns = !options.is_empty();
            let question = format!("which column is the {words}? None says so.");
            if role == Role::Volume {
                // Only a column can hold it.
                self.draft.columns.push(match in_columns {
                    true => Line::Ask(question, options),
                    false => Line::Fill(question, keys(None)),
                });
                continue;
            }
            if in_columns {
                // Commented as a whole: which one is right is for a person to say.
                let mut all = vec![Line::Remark(format!("? {question}"))];
                all.extend(
                    options
                        .iter()
                        .map(|(key, value)| Line::Remark(format!("{key} = {value}"))),
                );
                self.draft.columns.extend(all);
            }
            let question = match in_columns {
                true => format!(
                    "the {words}, if it is the same for all readings (else a line of [columns]):"
                ),
                false => format!("the {words} of all readings, which the sheet does not say:"),
            };
            self.draft.constants.push(Line::Fill(question, keys(None)));
        }
        let open: Vec<&str> = [
            (Role::Voltage, "voltage_v"),
            (Role::Pressure, "pressure_kpa"),
        ]
        .into_iter()
        .filter(|(role, _)| !self.said.contains(role))
        .map(|(_, key)| key)
        .collect();
        if !open.is_empty() {
            let remark = format!(
                "Not in the sheet: {}. State it here, in bench.toml or on the command line, or leave it open.",
                open.join(" and ")
            );
            self.draft.constants.push(Line::Remark(remark));
        }
    }
}

impl Draft {
    /// A broken sheet can say two things that do not go together: then a person decides.
    fn ask_what_cannot_be_read(&mut self, sheet: &str) {
        if !self.questions().is_empty() {
            return;
        }
        let (_, faults) = parse("proposal", &self.text(sheet, Open::Asked));
        let questions = faults.iter().map(|fault| {
            let key = fault.column.as_deref().unwrap_or("what follows");
            let (found, expected) = (&fault.found, &fault.expected);
            let question = format!(
                "the sheet does not say {key} clearly: {found}, expected {expected}; correct it"
            );
            Line::Fill(question, Vec::new())
        });
        self.top.splice(..0, questions);
    }
}

/// The first rows as they would be read with the first answer to each question.
fn first_rows(draft: &Draft, name: &str, foreign: &Foreign) -> (Vec<String>, Vec<Vec<String>>) {
    let text = draft.text(name, Open::FirstTaken);
    let (Some(mapping), _) = parse("proposal", &text) else {
        return (Vec::new(), Vec::new());
    };
    let mut faults = Faults::new(name);
    let Some(mut rows) = MappedRows::new(&foreign.grid, &mapping, &mut faults) else {
        return (Vec::new(), Vec::new());
    };
    let asked = draft.asked_keys();
    let named = |key: &String| match asked.contains(key) {
        true => format!("{}?", stem(key)),
        false => key.clone(),
    };
    let names = mapping
        .entries
        .iter()
        .map(|entry| named(&entry.name))
        .collect();
    let mut shown = Vec::new();
    let mut record = StringRecord::new();
    while shown.len() < SHOWN_ROWS && rows.next(&mut record, &mut faults).is_some() {
        shown.push(record.iter().map(str::to_owned).collect());
    }
    (names, shown)
}

/// A column name without the unit that is asked for.
fn stem(key: &str) -> &str {
    let entry = crate::capture::names::find(key).map(|(entry, _)| entry.stem);
    entry.unwrap_or(key)
}
