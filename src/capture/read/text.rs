//! Reading a text: the header once, then the rows below it, in parts side by side.

use csv::StringRecord;
use memchr::{memchr, memchr_iter, memchr2};
use rayon::prelude::*;

use super::{FileReading, SetPoints, refuse_length, unclear_marks};
use crate::capture::dialect::{self, BYTE_ORDER_MARK, Dialect, Rows};
use crate::capture::fault::{Fault, Faults};
use crate::capture::header::{self, Layout};
use crate::capture::number::{Marks, first_line};
use crate::capture::row::{Cells, RowReader};
use crate::capture::sweeps::Groups;

/// Least bytes of a part: below this a thread is not worth waking.
const LEAST_PART: usize = 1 << 14;
/// Parts for each thread, so that none waits long for the last.
const PARTS_A_THREAD: usize = 4;

/// How the rows of a file are read.
struct Manner<'a> {
    layout: &'a Layout,
    dialect: Dialect,
    /// Index of the file.
    source: usize,
    unstated: SetPoints,
}

/// Whole lines below the header.
#[derive(Clone, Copy)]
struct Part<'t> {
    text: &'t str,
    first_line: u64,
}

/// What the rows of a part say.
#[derive(Default)]
struct PartRead {
    rows: u64,
    rows_used: u64,
    groups: Groups,
    marks: Marks,
    comment_readings: u64,
    first_comment_reading: u64,
}

impl FileReading<'_> {
    /// Reads the text of a file.
    pub(super) fn read_text(&mut self, bytes: &[u8]) {
        let (text, windows_1252) = match dialect::decode(bytes) {
            Ok(decoded) => decoded,
            Err(fault) => return self.faults.push(*fault),
        };
        self.notes.windows_1252 = windows_1252;
        let dialect = Dialect::of(&text);
        let mut rows = Rows::new(&text, dialect);
        let mut record = StringRecord::new();
        let Some(header_line) = rows.next(&mut record) else {
            let expected = "a header row of column names and rows of readings";
            return self
                .faults
                .push(Fault::whole("no text but blanks and comments", expected));
        };
        let Some(layout) = header::read_header(&record, header_line, &mut self.faults) else {
            return;
        };
        let (start, first_line) = rows.below();
        let below = Part {
            text: &text[start..],
            first_line,
        };
        let manner = Manner {
            layout: &layout,
            dialect: dialect.continued(),
            source: self.index,
            unstated: self.unstated,
        };
        let marks = self.read_below(below, &manner);
        self.refuse_no_rows(header_line);
        if let Some(fault) = unclear_marks(marks) {
            self.faults.start_row();
            self.faults.push(fault);
        }
        self.notes.keep_amount_columns(&layout);
    }

    /// Reads the rows below the header; returns their decimal marks.
    fn read_below(&mut self, below: Part<'_>, manner: &Manner<'_>) -> Marks {
        let most = PARTS_A_THREAD * rayon::current_num_threads();
        let length = below.text.len().div_ceil(most).max(LEAST_PART);
        // Complaints are counted and cut over the whole file.
        let read = read_side_by_side(&below.cut(length), manner)
            .unwrap_or_else(|| below.read(manner, &mut self.faults));
        self.source.rows = read.rows;
        self.source.rows_used = read.rows_used;
        self.groups.absorb(read.groups);
        self.notes.comment_readings = read.comment_readings;
        self.notes.first_comment_reading = read.first_comment_reading;
        read.marks
    }
}

/// Reads parts of one file; `None` where any of them is complained about.
fn read_side_by_side(parts: &[Part<'_>], manner: &Manner<'_>) -> Option<PartRead> {
    let read = |part: &Part<'_>| {
        let mut faults = Faults::new("");
        let read = part.read(manner, &mut faults);
        (faults.is_empty() && read.groups.is_sound()).then_some(read)
    };
    let read: Option<Vec<PartRead>> = parts.par_iter().with_max_len(1).map(read).collect();
    read?.into_iter().reduce(PartRead::and)
}

impl PartRead {
    /// Of this part and the part below it.
    fn and(mut self, below: Self) -> Self {
        self.groups.absorb(below.groups);
        Self {
            rows: self.rows + below.rows,
            rows_used: self.rows_used + below.rows_used,
            groups: self.groups,
            marks: self.marks.and(below.marks),
            comment_readings: self.comment_readings + below.comment_readings,
            first_comment_reading: first_line(
                self.first_comment_reading,
                below.first_comment_reading,
            ),
        }
    }
}

impl<'t> Part<'t> {
    /// Cuts it between lines into parts of about this length. A text with quotes stays whole,
    /// since a cell may hold a line end, and one with carriage returns that stand alone, since
    /// they end a row but no comment, or with byte order marks, which are no text at its start.
    fn cut(self, length: usize) -> Vec<Self> {
        let bytes = self.text.as_bytes();
        let alone = |at: usize| bytes.get(at + 1) != Some(&b'\n');
        let whole = memchr2(b'"', BYTE_ORDER_MARK[0], bytes).is_some();
        if whole || memchr_iter(b'\r', bytes).any(alone) {
            return vec![self];
        }
        let mut parts = Vec::new();
        let mut rest = self;
        while rest.text.len() > length {
            let Some(end) = memchr(b'\n', &rest.text.as_bytes()[length..]) else {
                break;
            };
            let (text, after) = rest.text.split_at(length + end + 1);
            parts.push(Self { text, ..rest });
            rest = Self {
                text: after,
                first_line: rest.first_line + memchr_iter(b'\n', text.as_bytes()).count() as u64,
            };
        }
        parts.push(rest);
        parts
    }

    /// Reads its rows.
    fn read(&self, manner: &Manner<'_>, faults: &mut Faults) -> PartRead {
        let (layout, dialect) = (manner.layout, manner.dialect);
        let mut read = PartRead::default();
        let mut rows = Rows::new(self.text, dialect).starting_at(self.first_line);
        rows.set_header_cells(layout.cells);
        let mut record = StringRecord::new();
        while let Some(line) = rows.next(&mut record) {
            read.rows += 1;
            faults.start_row();
            if let Some(fault) = refuse_length(&record, layout, line, dialect) {
                faults.push(fault);
                continue;
            }
            let mut reader = RowReader {
                source: manner.source,
                decimal_comma: dialect.decimal_comma(),
                marks: read.marks,
                faults,
            };
            let row = Cells::new(&record, &[], line);
            let used = reader.read_into(&mut read.groups, row, layout, manner.unstated);
            read.marks = reader.marks;
            read.rows_used += u64::from(used);
        }
        if let Some(line) = rows.open_quote {
            let fault = Fault::row(line, "a quote that is never closed", "a closing quote");
            faults.push(fault.hint("the rest of the file was taken as one cell"));
        }
        read.comment_readings = rows.comment_readings;
        read.first_comment_reading = rows.first_comment_reading;
        read
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const HEADER: &str = "injector,voltage_v,pulse_width_ms,pulses,volume_ml,mass_g,exclude";

    fn layout() -> Layout {
        let names: Vec<&str> = HEADER.split(',').collect();
        header::read_header(&StringRecord::from(names), 1, &mut Faults::new("")).unwrap()
    }

    fn line() -> impl Strategy<Value = String> {
        let row = |id: &str, rest: &str| format!("{id},{rest}");
        let rows = (
            "[AB]",
            prop::sample::select(vec![
                "14,2.0,1000,6.1,,",
                "14,2.5,1000,8.25,,",
                "12,2.0,\u{a0}1000,6.0,,",
                "14,3.0,1000,10.125,,spilt",
            ]),
        );
        let other = prop::sample::select(vec![
            "",
            "# a remark",
            "#A,14,2.0,1000,6.1,,",
            "B,14,2.0,1000,,4.2,",
            "A,14,2.0,1000",
            "A,14,x,1000,6.1,,",
            "\u{feff}A,14,2.0,1000,6.1,,",
            ",,,,,,",
        ]);
        prop_oneof![
            20 => rows.prop_map(move |(id, rest)| row(&id, rest)),
            1 => other.prop_map(str::to_owned),
        ]
    }

    fn line_end() -> impl Strategy<Value = &'static str> {
        prop_oneof![200 => Just("\n"), 100 => Just("\r\n"), 1 => Just("\r")]
    }

    proptest! {
        /// However a text is cut, it says what it says in one piece.
        #[test]
        fn parts_say_what_the_whole_says(
            lines in prop::collection::vec((line(), line_end()), 0..60),
            length in 1_usize..400,
        ) {
            let text: String = lines.into_iter().flat_map(|(line, end)| [line, end.to_owned()]).collect();
            let layout = layout();
            let manner = Manner {
                layout: &layout,
                dialect: Dialect::of(HEADER),
                source: 0,
                unstated: SetPoints::default(),
            };
            let whole = Part { text: &text, first_line: 2 };
            let mut faults = Faults::new("");
            let read = whole.read(&manner, &mut faults);
            let parts = whole.cut(length);
            prop_assert_eq!(parts.iter().map(|part| part.text).collect::<String>(), &text[..]);
            let Some(joined) = read_side_by_side(&parts, &manner) else {
                prop_assert!(!faults.is_empty() || !read.groups.is_sound());
                return Ok(());
            };
            prop_assert!(faults.is_empty());
            prop_assert_eq!((joined.rows, joined.rows_used), (read.rows, read.rows_used));
            prop_assert_eq!(joined.marks, read.marks);
            prop_assert_eq!(joined.comment_readings, read.comment_readings);
            prop_assert_eq!(joined.first_comment_reading, read.first_comment_reading);
            let (joined, read) = (joined.groups.finish(), read.groups.finish());
            prop_assert_eq!(joined.sweeps, read.sweeps);
            prop_assert_eq!(joined.faults, read.faults);
        }
    }
}
