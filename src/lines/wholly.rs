//! Captures whose rows say more than conditions and quantities: stages, vessels, start readings,
//! exclusions, a bench file, other dialects. All of it is kept, injector by injector.

use std::collections::HashMap;

use rayon::prelude::*;

use super::blocks::{Blocks, failed};
use super::grouped::Ended;
use super::injector::{Text, write_capture};
use super::{Lines, LinesError, LinesRequest};
use crate::capture::{CaptureStream, Fault, InjectorRows};
use crate::characterisation::NotFinite;

/// An injector with its rows.
struct Open {
    injector: String,
    last_line: u64,
    rows: InjectorRows,
}

/// Runs through the stream; returns its readings.
pub(super) fn run(
    stream: &mut CaptureStream,
    anywhere: bool,
    mut blocks: Blocks,
    first_line: u64,
    request: &LinesRequest,
    lines: &mut Lines<'_>,
) -> Result<u64, LinesError> {
    let mut open: Vec<Open> = Vec::new();
    let mut places: HashMap<String, usize> = HashMap::new();
    let mut ended = Ended::default();
    let (mut line, mut readings) = (first_line, 0);
    loop {
        let batch = blocks.several(1).map_err(|why| failed(why, lines))?;
        let Some(block) = batch.first() else {
            break;
        };
        let mut refused = Ok(());
        let name = stream.name().to_owned();
        let read = stream.read_wholly(block, line, |row| {
            readings += 1;
            let known = if anywhere {
                places.get(row.injector()).copied()
            } else {
                open.len().checked_sub(1)
            };
            let at = match known.filter(|at| open[*at].injector == row.injector()) {
                Some(at) => at,
                None => {
                    if refused.is_ok() && !anywhere {
                        refused = refuse(&open, &ended, &name, row.injector(), row.line());
                    }
                    places.insert(row.injector().to_owned(), open.len());
                    open.push(Open {
                        injector: row.injector().to_owned(),
                        last_line: 0,
                        rows: InjectorRows::default(),
                    });
                    open.len() - 1
                }
            };
            open[at].last_line = row.line();
            open[at].rows.add(row);
        });
        line += read.map_err(|faults| lines.faults(faults))?;
        refused.map_err(|faults| lines.faults(faults))?;
        if !anywhere {
            let last = open.pop();
            write(stream, &mut open, &mut ended, request, lines)?;
            open.extend(last);
            places.clear();
        }
    }
    write(stream, &mut open, &mut ended, request, lines)?;
    Ok(readings)
}

/// Refuses an injector that has ended in this block or before.
fn refuse(
    open: &[Open],
    ended: &Ended,
    name: &str,
    injector: &str,
    line: u64,
) -> Result<(), Vec<Fault>> {
    if let Some(before) = open.iter().find(|o| o.injector == injector) {
        let mut here = Ended::default();
        here.note(injector.to_owned(), before.last_line);
        return here.refuse(name, injector, line);
    }
    ended.refuse(name, injector, line)
}

/// Fits the injectors that are complete and writes their lines.
fn write(
    stream: &CaptureStream,
    open: &mut Vec<Open>,
    ended: &mut Ended,
    request: &LinesRequest,
    lines: &mut Lines<'_>,
) -> Result<(), LinesError> {
    let mut complete = Vec::new();
    for Open {
        injector,
        last_line,
        rows,
    } in open.drain(..)
    {
        let capture = stream.capture_of(rows);
        complete.push(capture.map_err(|faults| lines.faults(faults))?);
        ended.note(injector, last_line);
    }
    let texts: Vec<Result<Text, NotFinite>> = complete
        .par_iter()
        .with_max_len(1)
        .map(|capture| {
            let mut text = Text::default();
            write_capture(capture, request, &mut text).map(|()| text)
        })
        .collect();
    for text in texts {
        let text = text?;
        lines.write(&text.bytes, text.lines)?;
    }
    Ok(())
}
