//! Reading a text: the header once, then the rows below it, in parts side by side.

use csv::StringRecord;
use memchr::{memchr, memchr_iter, memchr2};
use rayon::prelude::*;

use super::{FileReading, SetPoints, refuse_length, unclear_marks};
use crate::capture::dialect::{self, BYTE_ORDER_MARK, Dialect, Rows};
use crate::capture::fault::{Fault, Faults};
use crate::capture::header::{self, Layout};
use crate::capture::number::{self, Marks};
use crate::capture::row::{Cells, RowReader};
use crate::capture::sweeps::Groups;

/// Least bytes of a part: below this a thread is not worth waking.
const LEAST_PART: usize = 1 << 14;
/// Parts for each thread, so that none waits long for the last.
const PARTS_A_THREAD: usize = 4;

/// How the rows of a file are read.
struct Manner<'a> {
    layout: &'a Layout,
    /// Cells of the header, the empty ones at its end included.
    header_cells: usize,
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

/// What rows say.
#[derive(Default)]
struct RowsRead {
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
        let manner = Manner {
            layout: &layout,
            header_cells: record.len(),
            dialect: dialect.continued(),
            source: self.index,
            unstated: self.unstated,
        };
        let (start, first_line) = rows.below();
        let below = Part {
            text: &text[start..],
            first_line,
        };
        // Complaints are counted and cut over the whole file: where there is one, all is read
        // again in one go.
        let read = read_side_by_side(&below.cut(most_for_a_part(below.text)), &manner)
            .unwrap_or_else(|| manner.read(rows, &mut self.faults));
        self.source.rows = read.rows;
        self.source.rows_used = read.rows_used;
        self.groups.absorb(read.groups);
        self.notes.comment_readings = read.comment_readings;
        self.notes.first_comment_reading = read.first_comment_reading;
        self.refuse_no_rows(header_line);
        if let Some(fault) = unclear_marks(read.marks) {
            self.faults.start_row();
            self.faults.push(fault);
        }
        self.notes.keep_amount_columns(&layout);
    }
}

/// Bytes of a part, about.
fn most_for_a_part(text: &str) -> usize {
    match rayon::current_num_threads() {
        1 => usize::MAX,
        threads => text
            .len()
            .div_ceil(PARTS_A_THREAD * threads)
            .max(LEAST_PART),
    }
}

/// Reads parts of one file; `None` where there is one only, or any of them is complained about.
fn read_side_by_side(parts: &[Part<'_>], manner: &Manner<'_>) -> Option<RowsRead> {
    if parts.len() < 2 {
        return None;
    }
    let read = |part: &Part<'_>| {
        let mut faults = Faults::new("");
        let rows = Rows::new(part.text, manner.dialect).starting_at(part.first_line);
        let read = manner.read(rows, &mut faults);
        (faults.is_empty() && read.groups.is_sound()).then_some(read)
    };
    let read: Option<Vec<RowsRead>> = parts.par_iter().with_max_len(1).map(read).collect();
    read?.into_iter().reduce(RowsRead::and)
}

impl RowsRead {
    /// Of these rows and those below them.
    fn and(mut self, below: Self) -> Self {
        self.groups.absorb(below.groups);
        Self {
            rows: self.rows + below.rows,
            rows_used: self.rows_used + below.rows_used,
            groups: self.groups,
            marks: self.marks.and(below.marks),
            comment_readings: self.comment_readings + below.comment_readings,
            first_comment_reading: number::first_line(
                self.first_comment_reading,
                below.first_comment_reading,
            ),
        }
    }
}

impl Part<'_> {
    /// Cuts it between lines into parts of about this length. A text with quotes stays whole,
    /// since a cell may hold a line end, and one with carriage returns that stand alone, since
    /// they end a row but no comment. So does one with a byte that byte order marks begin with:
    /// at the start of a text they are no text.
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
}

impl Manner<'_> {
    /// Reads rows below the header.
    fn read(&self, mut rows: Rows<'_>, faults: &mut Faults) -> RowsRead {
        let mut read = RowsRead::default();
        rows.set_header_cells(self.header_cells);
        let mut record = StringRecord::new();
        while let Some(line) = rows.next(&mut record) {
            read.rows += 1;
            faults.start_row();
            if let Some(fault) = refuse_length(&record, self.layout, line, self.dialect) {
                faults.push(fault);
                continue;
            }
            let mut reader = RowReader {
                source: self.source,
                decimal_comma: self.dialect.decimal_comma(),
                marks: read.marks,
                faults,
            };
            let row = Cells::new(&record, &[], line);
            let used = reader.read_into(&mut read.groups, row, self.layout, self.unstated);
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
    use crate::capture::{Bench, CaptureFile, Checked, check_captures};
    use crate::finding::Kind;
    use proptest::prelude::*;

    const HEADER: &str = "injector,voltage_v,pulse_width_ms,pulses,volume_ml,mass_g,exclude,,";

    fn line() -> impl Strategy<Value = String> {
        let row = |id: &str, rest: &str| format!("{id},{rest}");
        let rows = (
            "[AB]",
            prop::sample::select(vec![
                "14,2.0,1000,6.1,,,,",
                "14,2.5,1000,8.25,,,,",
                "12,2.0,\u{a0}1000,6.0,,,,",
                "14,3.0,1000,10.125,,spilt,,",
            ]),
        );
        let other = prop::sample::select(vec![
            "",
            "# a remark",
            "#A,14,2.0,1000,6.1,,,,",
            "B,14,2.0,1000,,4.2,,,",
            "A,14,2.0,1000",
            "A,14,x,1000,6.1,,,,",
            "\u{feff}A,14,2.0,1000,6.1,,,,",
            ",,,,,,,,",
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
            let lines = lines.into_iter().flat_map(|(line, end)| [line, end.to_owned()]);
            let text: String = [HEADER.to_owned(), "\n".to_owned()].into_iter().chain(lines).collect();
            let dialect = Dialect::of(&text);
            let mut rows = Rows::new(&text, dialect);
            let mut record = StringRecord::new();
            let line = rows.next(&mut record).unwrap();
            let layout = header::read_header(&record, line, &mut Faults::new("")).unwrap();
            let manner = Manner {
                layout: &layout,
                header_cells: record.len(),
                dialect,
                source: 0,
                unstated: SetPoints::default(),
            };
            let (start, first_line) = rows.below();
            let parts = Part { text: &text[start..], first_line }.cut(length);
            prop_assert_eq!(parts.iter().map(|part| part.text).collect::<String>(), &text[start..]);
            let mut faults = Faults::new("");
            let read = manner.read(rows, &mut faults);
            let Some(joined) = read_side_by_side(&parts, &manner) else {
                prop_assert!(parts.len() < 2 || !faults.is_empty() || !read.groups.is_sound());
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

    fn checked(text: &str) -> Checked {
        let file = CaptureFile::new("run.csv", text.as_bytes().to_vec());
        check_captures(&[file], Bench::default(), SetPoints::default())
    }

    #[test]
    fn what_begins_in_the_header_is_told() {
        let faults =
            checked("injector,pulse_width_ms,pulses,volume_ml,\"x_note\nA,2.0,1000,6.1,\n").faults;
        assert!(faults[0].found.contains("never closed"), "{faults:?}");
    }

    #[test]
    fn cells_that_the_header_leaves_empty_count_in_comments() {
        let row = "A,14,2.0,1000,6.1,,,,\n";
        let findings = checked(&format!("{HEADER}\n{row}#{row}#{row}"))
            .capture
            .findings;
        let told = findings.iter().find(|f| f.kind == Kind::CommentedReadings);
        assert_eq!(told.map(|f| &f.facts["count"]), Some(&2.into()));
    }

    #[test]
    fn a_byte_order_mark_below_the_header_moves_no_line() {
        let faults = checked(&format!("{HEADER}\n\u{feff}\nA,14,x,1000,6.1,,,,\n")).faults;
        let lines: Vec<_> = faults.iter().filter_map(|fault| fault.line).collect();
        assert_eq!(lines, [2, 3]);
    }
}
