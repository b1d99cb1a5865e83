//! One line of JSON per sweep from a stream of rows: each injector is fitted on its own.
//!
//! In: any reader. Out: any writer. Where the rows of an injector stand together its lines are
//! written when it ends and nothing of it is kept but its name. Where they do not, all readings
//! are gathered in 16 bytes each. It must not know file systems, nor how a sweep is fitted.

mod blocks;
mod gathered;
mod grouped;
mod injector;
mod wholly;

use std::collections::HashSet;
use std::io::{self, Read, Write};

use crate::capture::{Bench, CaptureStream, Fault, SetPoints};
use crate::characterisation::NotFinite;
use crate::fit::FitOptions;
use blocks::Blocks;

/// Where the rows of an injector may stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RowOrder {
    /// Together: an injector that comes back after another one is a fault.
    Grouped,
    /// Anywhere: nothing is written before all is read.
    Anywhere,
    /// As the first [`LOOKED_AT`] bytes show.
    AsFound,
}

/// How much of a capture is looked at to see whether the rows of an injector stand together, bytes.
pub const LOOKED_AT: usize = 4 << 20;

/// What `fit_lines` is to do.
#[derive(Debug, Clone, PartialEq)]
pub struct LinesRequest {
    /// Name of the capture as shown to the user.
    pub name: String,
    /// The bench.
    pub bench: Bench,
    /// Set points where rows state none.
    pub set_points: SetPoints,
    /// How to fit.
    pub fit: FitOptions,
    /// Where the rows of an injector may stand.
    pub order: RowOrder,
}

/// Why a stream was not fitted to its end.
#[derive(Debug, thiserror::Error)]
pub enum LinesError {
    /// It cannot be read.
    #[error("{0}")]
    Read(io::Error),
    /// The lines cannot be written.
    #[error("{0}")]
    Write(io::Error),
    /// Faults in the rows.
    #[error("{} faults", faults.len())]
    Faults {
        /// The faults of the first block that has any.
        faults: Vec<Fault>,
        /// Lines that were written before.
        written: u64,
    },
    /// A bug.
    #[error(transparent)]
    NotFinite(#[from] NotFinite),
}

/// The output with the count of what was written.
struct Lines<'w> {
    out: &'w mut dyn Write,
    written: u64,
}

impl Lines<'_> {
    fn write(&mut self, text: &[u8], lines: u64) -> Result<(), LinesError> {
        self.out.write_all(text).map_err(LinesError::Write)?;
        self.written += lines;
        Ok(())
    }

    fn faults(&self, faults: Vec<Fault>) -> LinesError {
        let written = self.written;
        LinesError::Faults { faults, written }
    }
}

/// Fits a capture injector by injector and writes one line of JSON per sweep, injectors in order
/// of first appearance. Returns the number of lines.
///
/// The bytes written do not depend on the number of threads. An injector's figures are those of
/// [`fit_capture`](crate::fit::fit_capture) for its rows alone: what other injectors say (a
/// common line range, the reading offset of a vessel, set points that differ by less than their
/// tolerance) is not used.
///
/// # Errors
/// [`LinesError`]; lines may have been written before.
pub fn fit_lines(
    input: Box<dyn Read + Send>,
    out: &mut dyn Write,
    request: &LinesRequest,
) -> Result<u64, LinesError> {
    let mut lines = Lines { out, written: 0 };
    let mut blocks = Blocks::of(input, &request.name);
    let first = match blocks.next() {
        Some(Ok(block)) => block,
        Some(Err(error)) => return Err(blocks::failed(error, &lines)),
        None => Vec::new(),
    };
    let (bench, defaults) = (request.bench.clone(), request.set_points);
    let (mut stream, used, header_lines) =
        CaptureStream::open(&request.name, &first, bench, defaults)
            .map_err(|faults| lines.faults(faults))?;
    blocks.put_back(first[used..].to_vec());
    let mut anywhere = request.order == RowOrder::Anywhere || stream.is_wide();
    if request.order == RowOrder::AsFound && !anywhere {
        let mut looked_at = Vec::new();
        while looked_at.iter().map(Vec::len).sum::<usize>() < LOOKED_AT {
            match blocks.next() {
                Some(Ok(block)) => looked_at.push(block),
                Some(Err(error)) => return Err(blocks::failed(error, &lines)),
                None => break,
            }
        }
        anywhere = comes_back(&mut stream, &looked_at, header_lines + 1)
            .map_err(|faults| lines.faults(faults))?;
        looked_at.into_iter().rev().for_each(|b| blocks.put_back(b));
    }
    let first_line = header_lines + 1;
    let plain = stream.plain_basis();
    let rows = match (plain, anywhere) {
        (Some(basis), false) => {
            grouped::run(&mut stream, basis, blocks, first_line, request, &mut lines)
        }
        (Some(basis), true) => {
            gathered::run(&mut stream, basis, blocks, first_line, request, &mut lines)
        }
        (None, anywhere) => wholly::run(
            &mut stream,
            anywhere,
            blocks,
            first_line,
            request,
            &mut lines,
        ),
    }?;
    stream.finish().map_err(|faults| lines.faults(faults))?;
    if rows == 0 {
        return Err(lines.faults(vec![stream.no_rows(header_lines)]));
    }
    lines.out.flush().map_err(LinesError::Write)?;
    Ok(lines.written)
}

/// Whether an injector comes back after another one.
fn comes_back(
    stream: &mut CaptureStream,
    blocks: &[Vec<u8>],
    first_line: u64,
) -> Result<bool, Vec<Fault>> {
    let mut ended: HashSet<Vec<u8>> = HashSet::new();
    let mut current: Option<Vec<u8>> = None;
    let mut line = first_line;
    for block in blocks {
        let mut runs: Vec<Vec<u8>> = Vec::new();
        let see = |runs: &mut Vec<Vec<u8>>, injector: &[u8]| {
            if runs.last().is_none_or(|last| last != injector) {
                runs.push(injector.to_owned());
            }
        };
        line += match stream.read_plain(block, |row| see(&mut runs, row.injector)) {
            Some(lines) => lines,
            None => {
                runs.clear();
                stream.read_wholly(block, line, |row| see(&mut runs, row.injector().as_bytes()))?
            }
        };
        for injector in runs {
            if current.as_ref() != Some(&injector) {
                if ended.contains(&injector) {
                    return Ok(true);
                }
                ended.extend(current.replace(injector));
            }
        }
    }
    Ok(false)
}
