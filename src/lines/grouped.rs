//! Rows of an injector stand together: its lines are written as it ends.

use std::collections::HashMap;

use rayon::prelude::*;

use super::blocks::{Blocks, failed};
use super::injector::{Run, Text, write_sweeps};
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
    error: Option<NotFinite>,
}

impl PartReader<'_> {
    fn add(&mut self, row: &StreamRow<'_>) {
        let line = self.part.lines;
        self.part.lines += 1;
        let open = match &mut self.part.tail {
            Some(tail) => Some(tail),
            None => self.part.head.as_mut(),
        };
        match open {
            Some(run) if run.injector == row.injector => run.add(row, line),
            _ => {
                let mut run = Run::new(row.injector, line);
                run.add(row, line);
                if self.part.head.is_none() {
                    self.part.head = Some(run);
                } else if let Some(ended) = self.part.tail.replace(run) {
                    self.fit(ended);
                }
            }
        }
    }

    fn fit(&mut self, run: Run) {
        let sweeps = run.sweeps(self.basis);
        let text = &mut self.part.text;
        if let Err(error) = write_sweeps(self.stream, self.request, &run.injector, sweeps, text) {
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
    let mut joined = Joined {
        pending: None,
        ended: Ended::default(),
        rows: 0,
    };
    let mut line = first_line;
    let most = 2 * rayon::current_num_threads();
    loop {
        let batch = blocks.several(most).map_err(|why| failed(why, lines))?;
        if batch.is_empty() {
            break;
        }
        let start = || PartReader {
            stream,
            request,
            basis,
            part: Part::default(),
            error: None,
        };
        let parts: Vec<Option<PartReader<'_>>> = batch
            .par_iter()
            .map(|block| {
                let mut reader = start();
                let plain = stream.read_plain(block, |row| reader.add(&row));
                plain.map(|_| reader)
            })
            .collect();
        let parts: Vec<Option<(Part, Option<NotFinite>)>> = parts
            .into_iter()
            .map(|reader| reader.map(|r| (r.part, r.error)))
            .collect();
        for (block, part) in batch.iter().zip(parts) {
            match part {
                Some((_, Some(error))) => return Err(error.into()),
                Some((part, None)) => {
                    let count = part.lines;
                    joined.add(part, line, stream, basis, request, lines)?;
                    line += count;
                }
                None => {
                    line += joined.add_carefully(block, line, stream, basis, request, lines)?;
                }
            }
        }
    }
    joined.end(stream, basis, request, lines)?;
    Ok(joined.rows)
}

/// The parts so far.
struct Joined {
    pending: Option<Run>,
    ended: Ended,
    rows: u64,
}

impl Joined {
    fn add(
        &mut self,
        part: Part,
        line: u64,
        stream: &CaptureStream,
        basis: Basis,
        request: &LinesRequest,
        lines: &mut Lines<'_>,
    ) -> Result<(), LinesError> {
        self.rows += part.lines;
        let refuse = |ended: &Ended, injector: &str, at: u64| {
            ended.refuse(stream.name(), injector, line + at)
        };
        let Some(mut head) = part.head else {
            return Ok(());
        };
        head.first_line += line;
        head.last_line += line;
        match &mut self.pending {
            Some(pending) if pending.injector == head.injector => pending.append(head),
            _ => {
                self.end(stream, basis, request, lines)?;
                let refused = self
                    .ended
                    .refuse(stream.name(), &head.injector, head.first_line);
                refused.map_err(|faults| lines.faults(faults))?;
                self.pending = Some(head);
            }
        }
        let Some(mut tail) = part.tail else {
            return Ok(());
        };
        self.end(stream, basis, request, lines)?;
        for (injector, first, last) in part.whole {
            refuse(&self.ended, &injector, first).map_err(|faults| lines.faults(faults))?;
            self.ended.note(injector, line + last);
        }
        lines.write(&part.text.bytes, part.text.lines)?;
        refuse(&self.ended, &tail.injector, tail.first_line)
            .map_err(|faults| lines.faults(faults))?;
        tail.first_line += line;
        tail.last_line += line;
        self.pending = Some(tail);
        Ok(())
    }

    /// Reads a block that is not plain, row by row; returns its lines.
    fn add_carefully(
        &mut self,
        block: &[u8],
        line: u64,
        stream: &mut CaptureStream,
        basis: Basis,
        request: &LinesRequest,
        lines: &mut Lines<'_>,
    ) -> Result<u64, LinesError> {
        let mut runs: Vec<Run> = Vec::new();
        let mut rows = 0;
        let read = stream.read_carefully(block, line, |row, at| {
            rows += 1;
            match runs.last_mut() {
                Some(run) if run.injector == row.injector => run.add(&row, at),
                _ => {
                    let mut run = Run::new(row.injector, at);
                    run.add(&row, at);
                    runs.push(run);
                }
            }
        });
        let count = read.map_err(|faults| lines.faults(faults))?;
        self.rows += rows;
        for run in runs {
            match &mut self.pending {
                Some(pending) if pending.injector == run.injector => pending.append(run),
                _ => {
                    self.end(stream, basis, request, lines)?;
                    let refused = self
                        .ended
                        .refuse(stream.name(), &run.injector, run.first_line);
                    refused.map_err(|faults| lines.faults(faults))?;
                    self.pending = Some(run);
                }
            }
        }
        Ok(count)
    }

    /// Ends the injector that is open.
    fn end(
        &mut self,
        stream: &CaptureStream,
        basis: Basis,
        request: &LinesRequest,
        lines: &mut Lines<'_>,
    ) -> Result<(), LinesError> {
        let Some(run) = self.pending.take() else {
            return Ok(());
        };
        let mut text = Text::default();
        let sweeps = run.sweeps(basis);
        write_sweeps(stream, request, &run.injector, sweeps, &mut text)?;
        lines.write(&text.bytes, text.lines)?;
        self.ended.note(run.injector, run.last_line);
        Ok(())
    }
}
