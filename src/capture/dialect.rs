//! How the file is written: encoding, line ends, separator, comments, and which
//! line a row stands on.

use std::borrow::Cow;

use csv::StringRecord;

use super::fault::Fault;

/// Longest line of a capture, bytes.
pub const LONGEST_LINE: usize = 1 << 20;

/// What some programs put before a text in UTF-8.
pub(super) const BYTE_ORDER_MARK: &[u8] = b"\xEF\xBB\xBF";

/// Decodes the bytes of a file.
///
/// Returns the text without a byte order mark, and whether it was read as
/// Windows-1252 because it is not UTF-8.
///
/// # Errors
/// A fault naming the byte and its offset where the bytes are text in neither.
pub(super) fn decode(bytes: &[u8]) -> Result<(Cow<'_, str>, bool), Box<Fault>> {
    if bytes.starts_with(&[0xFF, 0xFE]) || bytes.starts_with(&[0xFE, 0xFF]) {
        let fault = Fault::whole("UTF-16 text", "UTF-8 text");
        return Err(Box::new(fault.hint("save the file as CSV UTF-8")));
    }
    if let Some(line) = first_overlong(bytes) {
        return Err(Box::new(overlong(line)));
    }
    let body = bytes.strip_prefix(BYTE_ORDER_MARK).unwrap_or(bytes);
    let skipped = bytes.len() - body.len();
    let utf8 = std::str::from_utf8(body);
    let windows_1252 = utf8.is_err();
    let foreign = |b: &u8| match b {
        b'\t' | b'\r' | b'\n' => false,
        0..=0x1F | 0x7F => true,
        // The five bytes that Windows-1252 leaves undefined.
        0x81 | 0x8D | 0x8F | 0x90 | 0x9D => windows_1252,
        _ => false,
    };
    // Most files are sound, and are looked through without a branch a byte.
    let amiss = body.iter().fold(false, |amiss, b| amiss | foreign(b));
    let at = if amiss {
        body.iter().position(foreign)
    } else {
        None
    };
    if let Some(at) = at {
        let line = 1 + body[..at].iter().filter(|b| **b == b'\n').count() as u64;
        let found = format!("byte 0x{:02X} at offset {}", body[at], at + skipped);
        let hint = if bytes.starts_with(b"PK") {
            "this looks like a workbook, which --lines does not read: leave out --lines, or save the sheet as CSV"
        } else {
            "save the file as plain text in UTF-8"
        };
        let fault = Fault::row(line, found, "text in UTF-8 or Windows-1252");
        return Err(Box::new(fault.hint(hint)));
    }
    Ok(match utf8 {
        Ok(text) => (one_line_end(text), false),
        Err(_) => {
            let (text, _) = encoding_rs::WINDOWS_1252.decode_without_bom_handling(body);
            (Cow::Owned(one_line_end(&text).into_owned()), true)
        }
    })
}

/// Line that is longer than any row, from 1.
fn first_overlong(bytes: &[u8]) -> Option<u64> {
    let ends = |b: &u8| matches!(b, b'\n' | b'\r');
    // Such a line fills one of these parts; in a sound file each is left at its first line end.
    if bytes
        .chunks(LONGEST_LINE / 2)
        .all(|part| part.iter().any(ends))
    {
        return None;
    }
    let mut lines = bytes.split(|b| *b == b'\n');
    let long = |line: &[u8]| line.split(ends).any(|part| part.len() > LONGEST_LINE);
    lines.position(long).map(|at| at as u64 + 1)
}

/// Says that a line is too long to be one.
pub(super) fn overlong(line: u64) -> Fault {
    let found = format!("a line of more than {LONGEST_LINE} bytes");
    Fault::row(line, found, "a row of readings").hint("is this file a capture?")
}

/// Turns the lone carriage returns of an old file into line feeds, since a
/// comment would not end at one.
fn one_line_end(text: &str) -> Cow<'_, str> {
    if text.contains('\r') && !text.contains('\n') {
        Cow::Owned(text.replace('\r', "\n"))
    } else {
        Cow::Borrowed(text)
    }
}

/// How cells are separated and which decimal marks can stand in them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Dialect {
    /// Comma, semicolon or tab.
    pub separator: u8,
    /// Bytes before the first line that counts: a `sep=;` line of a spreadsheet.
    start: usize,
}

impl Dialect {
    /// Judges by the header line: of tab, semicolon and comma the most frequent outside quotes.
    pub fn of(text: &str) -> Self {
        let mut start = 0;
        for line in text.split_inclusive('\n') {
            let content = line.trim();
            if let Some(separator) = declared(content) {
                return Self {
                    separator,
                    start: start + line.len(),
                };
            }
            if !content.is_empty() && !content.starts_with('#') && !content.starts_with("\"#") {
                return Self {
                    separator: most_frequent_separator(content),
                    start: 0,
                };
            }
            start += line.len();
        }
        Self {
            separator: b',',
            start: 0,
        }
    }

    /// As a mapping file says it: only a `sep=;` line is looked for.
    pub fn parted_by(text: &str, separator: u8) -> Self {
        let first = text.split_inclusive('\n').next().unwrap_or("");
        let start = declared(first.trim()).map_or(0, |_| first.len());
        Self { separator, start }
    }

    /// The same for a later part of the file.
    pub fn continued(self) -> Self {
        Self { start: 0, ..self }
    }

    /// Whether a comma can be a decimal mark.
    pub fn decimal_comma(self) -> bool {
        self.separator != b','
    }
}

/// The separator of a `sep=;` line.
fn declared(line: &str) -> Option<u8> {
    line.get(..4)
        .filter(|word| word.eq_ignore_ascii_case("sep="))
        .and_then(|_| line[4..].bytes().next())
        .filter(|b| matches!(b, b',' | b';') && line.len() == 5)
}

fn most_frequent_separator(header: &str) -> u8 {
    let mut counts = [0usize; 3];
    let mut quoted = false;
    for byte in header.bytes() {
        match byte {
            b'"' => quoted = !quoted,
            b'\t' if !quoted => counts[0] += 1,
            b';' if !quoted => counts[1] += 1,
            b',' if !quoted => counts[2] += 1,
            _ => {}
        }
    }
    // On a tie the comma gives way: it also stands in numbers and in notes.
    let most = counts.iter().max().copied().unwrap_or(0);
    match counts.iter().position(|c| *c == most && most > 0) {
        Some(0) => b'\t',
        Some(1) => b';',
        _ => b',',
    }
}

/// The rows of a text with their lines; comments, blank lines and rows of empty
/// cells left out.
pub(super) struct Rows<'a> {
    bytes: &'a [u8],
    reader: csv::Reader<&'a [u8]>,
    separator: u8,
    offset: usize,
    at: usize,
    row_end: usize,
    line: u64,
    comments: bool,
    header_cells: usize,
    /// Comment lines that look like readings.
    pub comment_readings: u64,
    /// Line of the first of them.
    pub first_comment_reading: u64,
    /// Line where a quote opens that is never closed.
    pub open_quote: Option<u64>,
}

impl<'a> Rows<'a> {
    /// Starts at the top of a text.
    pub fn new(text: &'a str, dialect: Dialect) -> Self {
        Self::of(text, dialect, true)
    }

    /// The same where `#` begins no comment: somebody else's file.
    pub fn without_comments(text: &'a str, dialect: Dialect) -> Self {
        Self::of(text, dialect, false)
    }

    fn of(text: &'a str, dialect: Dialect, comments: bool) -> Self {
        let mut rows = Self {
            bytes: text.as_bytes(),
            reader: csv::ReaderBuilder::new()
                .has_headers(false)
                .flexible(true)
                .delimiter(dialect.separator)
                .comment(comments.then_some(b'#'))
                .from_reader(&text.as_bytes()[dialect.start..]),
            separator: dialect.separator,
            offset: dialect.start,
            at: 0,
            row_end: 0,
            line: 1,
            comments,
            header_cells: 0,
            comment_readings: 0,
            first_comment_reading: 0,
            open_quote: None,
        };
        rows.advance_to(dialect.start);
        rows
    }

    /// Counts lines from `line`: the text is a part of a file.
    pub fn starting_at(mut self, line: u64) -> Self {
        self.line += line - 1;
        self
    }

    /// Says how many cells the header has, so that readings in comments are noticed.
    pub fn set_header_cells(&mut self, cells: usize) {
        self.header_cells = cells;
    }

    /// Where the rows below the one read last begin: byte of the text, and line.
    pub fn below(&mut self) -> (usize, u64) {
        let here = (self.at, self.line);
        self.advance_to(self.row_end);
        let below = (self.at, self.line);
        // At the end the row read last is looked at again.
        (self.at, self.line) = here;
        below
    }

    /// Reads the next row into `record`; returns its line, or `None` at the end.
    pub fn next(&mut self, record: &mut StringRecord) -> Option<u64> {
        loop {
            let more = self
                .reader
                .read_record(record)
                .expect("the text is UTF-8, lies in memory and may have rows of any length");
            if !more {
                self.look_for_open_quote();
                self.advance_to(self.row_end);
                self.skip_comments();
                self.advance_to(self.bytes.len());
                return None;
            }
            let start = record.position().map_or(0, |p| p.byte() as usize) + self.offset;
            self.advance_to(start);
            self.skip_comments();
            let line = self.line;
            self.row_end = self.reader.position().byte() as usize + self.offset;
            // A spreadsheet saves a comment with a comma in it as a quoted cell and empty ones.
            let mut cells = record.iter();
            let first = cells.next().unwrap_or("").trim();
            let rest_empty = cells.all(|cell| cell.trim().is_empty());
            if !(rest_empty && (first.is_empty() || self.comments && first.starts_with('#'))) {
                return Some(line);
            }
        }
    }

    /// Moves to an offset, counting lines.
    fn advance_to(&mut self, offset: usize) {
        while self.at < offset {
            self.step();
        }
    }

    /// Moves over one byte or line end.
    fn step(&mut self) {
        match self.bytes[self.at] {
            b'\n' => self.line += 1,
            b'\r' => {
                self.line += 1;
                if self.bytes.get(self.at + 1) == Some(&b'\n') {
                    self.at += 1;
                }
            }
            _ => {}
        }
        self.at += 1;
    }

    /// Moves over the blank lines and comments that stand before a row.
    fn skip_comments(&mut self) {
        loop {
            match self.bytes.get(self.at) {
                Some(b'\n' | b'\r') => self.step(),
                Some(b'#') if self.comments => {
                    let rest = &self.bytes[self.at..];
                    let length = rest.iter().position(|b| *b == b'\n').unwrap_or(rest.len());
                    self.look_at_comment(&rest[..length]);
                    self.at += length;
                }
                _ => return,
            }
        }
    }

    /// An injector named `#1` would vanish without a word; a comment shaped like a row is counted.
    fn look_at_comment(&mut self, comment: &[u8]) {
        if self.header_cells < 3 {
            return;
        }
        let comment = String::from_utf8_lossy(comment);
        let cells = comment.split(char::from(self.separator));
        if looks_like_readings(cells, self.header_cells) {
            if self.comment_readings == 0 {
                self.first_comment_reading = self.line;
            }
            self.comment_readings += 1;
        }
    }

    /// A quote that is never closed swallows the rest of the file into the last row.
    fn look_for_open_quote(&mut self) {
        let row = self.bytes.get(self.at..self.row_end).unwrap_or_default();
        let quotes = row.iter().filter(|b| **b == b'"').count();
        if quotes % 2 == 1 && row.trim_ascii_end().contains(&b'\n') {
            self.open_quote = Some(self.line);
        }
    }
}

/// Whether the cells of a comment are as many as the header's and hold numbers.
pub(super) fn looks_like_readings<'c>(
    cells: impl Iterator<Item = &'c str> + Clone,
    header_cells: usize,
) -> bool {
    let numbers = cells
        .clone()
        .filter(|cell| cell.trim().replace(',', ".").parse::<f64>().is_ok())
        .count();
    cells.count() == header_cells && numbers >= 2
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lines(text: &str) -> Vec<(u64, Vec<String>)> {
        let mut rows = Rows::new(text, Dialect::of(text));
        let mut record = StringRecord::new();
        let mut found = Vec::new();
        while let Some(line) = rows.next(&mut record) {
            found.push((line, record.iter().map(str::to_owned).collect()));
        }
        found
    }

    #[test]
    fn lines_are_those_of_the_file() {
        let text = "# comment\n\na,b\n1,\"two\nlines\"\n\n# more\n,,\n3,4\n";
        let numbers: Vec<_> = lines(text).iter().map(|(line, _)| *line).collect();
        assert_eq!(numbers, [3, 4, 9]);
        let crlf = text.replace('\n', "\r\n");
        let numbers: Vec<_> = lines(&crlf).iter().map(|(line, _)| *line).collect();
        assert_eq!(numbers, [3, 4, 9]);
    }

    #[test]
    fn comments_that_look_like_readings_are_counted_to_the_end() {
        let text = "id,a,b\n#1,2,3\nx,4,5\n# said, 1, in passing\n#2,6,7\n\n#3,8,9";
        let mut rows = Rows::new(text, Dialect::of(text));
        rows.set_header_cells(3);
        let mut record = StringRecord::new();
        while rows.next(&mut record).is_some() {}
        assert_eq!((rows.comment_readings, rows.first_comment_reading), (3, 2));
    }

    #[test]
    fn lone_carriage_returns_end_lines() {
        let (text, _) = decode(b"# c\ra,b\r1,2\r").unwrap();
        let numbers: Vec<_> = lines(&text).iter().map(|(line, _)| *line).collect();
        assert_eq!(numbers, [2, 3]);
    }

    #[test]
    fn separator_is_the_most_frequent_one_outside_quotes() {
        assert_eq!(Dialect::of("# a,b,c\n\"x,y,z\";b;c\n").separator, b';');
        assert_eq!(Dialect::of("a\tb,c\td\n").separator, b'\t');
        assert_eq!(Dialect::of("a,b;c\n").separator, b';');
        assert_eq!(lines("sep=;\na;b\n1;2\n")[0].0, 2);
    }

    #[test]
    fn bytes_that_are_no_text_are_named() {
        let fault = decode(b"a,b\n1,\x812\n").unwrap_err();
        assert_eq!(fault.found, "byte 0x81 at offset 6");
        assert_eq!(fault.line, Some(2));
        assert!(decode(b"a\0b").unwrap_err().found.contains("0x00"));
        assert_eq!(decode(b"caf\xE9").unwrap().0, "café");
        assert!(decode(b"caf\xE9").unwrap().1);
    }
}
