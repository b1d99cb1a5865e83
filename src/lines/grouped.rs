//! Rows of an injector stand together: its lines are written as it ends.

use std::collections::HashMap;

use rayon::prelude::*;

use super::blocks::{BLOCKS_A_THREAD, Blocks, failed};
use super::injector::{Run, Text};
use super::{Lines, LinesError, LinesRequest};
use crate::capture::{CaptureStream, Fault, StreamRow, comes_again};
use crate::characterisation::NotFinite;
use crate::units::Basis;

/// Injectors that have ended, with the line of their last row: all that grows with the stream.
#[derive(Default)]
pub(super) struct Ended {
    last_lines: HashMap<String, u64>,
}

impl Ended {
    /// Notes the end of an injector.
    pub fn note(&mut self, injector: String, last_line: u64) {
        self.last_lines.insert(injector, last_line);
    }

    /// Refuses an injector that has ended before.
    pub fn refuse(&self, name: &str, injector: &str, line: u64) -> Result<(), Vec<Fault>> {
        match self.last_lines.get(injector) {
            Some(last) => Err(vec![comes_again(name, injector, line, *last)]),
            None => Ok(()),
        }
    }
}

/// What is in one block; lines count from 0 at its first.
#[derive(Default)]
struct Part {
    lines: u64,
    /// The first injector, which may have begun before.
    head: Option<Run>,
    /// Injectors that begin and end in the block, with first and last line.
    whole: Vec<(String, u64, u64)>,
    /// Their lines.
    text: Text,
    /// The last injector, which may go on, if it is not the first.
    tail: Option<Run>,
}

/// A part while its rows come.
struct PartReader<'s> {
    stream: &'s CaptureStream,
    request: &'s LinesRequest,
    basis: Basis,
    part: Part,
    /// Injector of the row before.
    injector: &'s [u8],
    error: Option<NotFinite>,
}

impl<'s> PartReader<'s> {
    fn add(&mut self, row: &StreamRow<'s>) {
        let line = self.part.lines;
        self.part.lines += 1;
        let open = match &mut self.part.tail {
            Some(tail) => Some(tail),
            None => self.part.head.as_mut(),
        };
        // Mostly it is the same piece of the block.
        let same = std::ptr::eq(self.injector, row.injector) || self.injector == row.injector;
        self.injector = row.injector;
        match open {
            Some(run) if same => run.add_row(row, line),
            _ => {
                // Injectors of an archive are mostly alike.
                let room = open.map_or(0, |run| run.readings());
                let mut run = Run::new(row.injector, line).with_room(room);
                run.add_row(row, line);
                if self.part.head.is_none() {
                    self.part.head = Some(run);
                } else if let Some(ended) = self.part.tail.replace(run) {
                    self.fit(ended);
                }
            }
        }
    }

    fn fit(&mut self, run: Run) {
        let text = &mut self.part.text;
        if let Err(error) = run.write(self.stream, self.basis, self.request, text) {
            self.error.get_or_insert(error);
        }
        let ended = (run.injector, run.first_line, run.last_line);
        self.part.whole.push(ended);
    }
}

/// Runs through the stream; returns its rows.
pub(super) fn run(
    stream: &mut CaptureStream,
    basis: Basis,
    mut blocks: Blocks,
    first_line: u64,
    request: &LinesRequest,
    lines: &mut Lines<'_>,
) -> Result<u64, LinesError> {
    let mut joined = Joined::default();
    let mut line = first_line;
    let most = BLOCKS_A_THREAD * rayon::current_num_threads();
    loop {
        let batch = blocks.several(most).map_err(|why| failed(why, lines))?;
        if batch.is_empty() {
            break;
        }
        let parts: Vec<Option<(Part, Option<NotFinite>)>> = batch
            .par_iter()
            .with_max_len(1)
            .map(|block| {
                let mut reader = PartReader {
                    stream,
                    request,
                    basis,
                    part: Part::default(),
                    injector: b"",
                    error: None,
                };
                stream.read_plain(block, |row| reader.add(&row))?;
                Some((reader.part, reader.error))
            })
            .collect();
        let mut refused = Ok(());
        for (block, part) in batch.iter().zip(parts) {
            let count = match part {
                Some((_, Some(error))) => return Err(error.into()),
                Some((part, None)) => {
                    let count = part.lines;
                    joined.add(part, line, stream.name()).map(|()| count)
                }
                None => joined.add_carefully(block, line, stream),
            };
            match count {
                Ok(count) => line += count,
                Err(faults) => {
                    refused = Err(faults);
                    break;
                }
            }
        }
        joined.write(stream, basis, request, lines)?;
        refused.map_err(|faults| lines.faults(faults))?;
    }
    joined.end();
    joined.write(stream, basis, request, lines)?;
    Ok(joined.rows)
}

/// What is to be written, in order.
enum Piece {
    /// Lines of injectors that began and ended in a block.
    Lines(Text),
    /// An injector that went on from one block to the next: not fitted yet.
    Across(Run),
}

/// The parts so far.
#[derive(Default)]
struct Joined {
    pending: Option<Run>,
    ended: Ended,
    rows: u64,
    pieces: Vec<Piece>,
}

impl Joined {
    /// Adds a part that begins at a line.
    fn add(&mut self, part: Part, line: u64, name: &str) -> Result<(), Vec<Fault>> {
        self.rows += part.lines;
        let Some(head) = part.head else {
            return Ok(());
        };
        self.go_on(head.moved(line), name)?;
        let Some(tail) = part.tail else {
            return Ok(());
        };
        self.end();
        for (injector, first, last) in part.whole {
            self.ended.refuse(name, &injector, line + first)?;
            self.ended.note(injector, line + last);
        }
        self.pieces.push(Piece::Lines(part.text));
        self.go_on(tail.moved(line), name)
    }

    /// Adds a block that is not plain, row by row; returns its lines.
    fn add_carefully(
        &mut self,
        block: &[u8],
        line: u64,
        stream: &mut CaptureStream,
    ) -> Result<u64, Vec<Fault>> {
        let mut runs: Vec<Run> = Vec::new();
        let mut rows = 0;
        let count = stream.read_carefully(block, line, |row, at| {
            rows += 1;
            match runs.last_mut() {
                Some(run) if run.injector.as_bytes() == row.injector => run.add_row(&row, at),
                _ => {
                    let mut run = Run::new(row.injector, at);
                    run.add_row(&row, at);
                    runs.push(run);
                }
            }
        })?;
        self.rows += rows;
        for run in runs {
            self.go_on(run, stream.name())?;
        }
        Ok(count)
    }

    /// Goes on with the injector that is open, or ends it and begins another.
    fn go_on(&mut self, run: Run, name: &str) -> Result<(), Vec<Fault>> {
        match &mut self.pending {
            Some(pending) if pending.injector == run.injector => pending.append(run),
            _ => {
                self.end();
                self.ended.refuse(name, &run.injector, run.first_line)?;
                self.pending = Some(run);
            }
        }
        Ok(())
    }

    /// Ends the injector that is open.
    fn end(&mut self) {
        if let Some(run) = self.pending.take() {
            self.ended.note(run.injector.clone(), run.last_line);
            self.pieces.push(Piece::Across(run));
        }
    }

    /// Fits what is not fitted yet and writes all that has ended.
    fn write(
        &mut self,
        stream: &CaptureStream,
        basis: Basis,
        request: &LinesRequest,
        lines: &mut Lines<'_>,
    ) -> Result<(), LinesError> {
        let fitted: Vec<Result<Text, NotFinite>> = std::mem::take(&mut self.pieces)
            .into_par_iter()
            .with_max_len(1)
            .map(|piece| match piece {
                Piece::Lines(text) => Ok(text),
                Piece::Across(run) => {
                    let mut text = Text::default();
                    run.write(stream, basis, request, &mut text).map(|()| text)
                }
            })
            .collect();
        for text in fitted {
            let text = text?;
            lines.write(&text.bytes, text.lines)?;
        }
        Ok(())
    }
}
