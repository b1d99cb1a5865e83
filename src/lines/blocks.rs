//! A stream cut into blocks of whole lines, read ahead by a thread of its own.

use std::io::{self, ErrorKind, Read};
use std::sync::mpsc::{Receiver, TryRecvError, sync_channel};
use std::thread;

use memchr::memchr_iter;

use super::{Lines, LinesError};
use crate::capture::{Fault, LONGEST_LINE, overlong_line};

/// Bytes asked for at once: few enough that what is made of them stays in the cache.
const BLOCK: usize = 1 << 18;
/// Blocks read ahead.
const AHEAD: usize = 32;
/// Blocks taken at once for each thread: the more, the less one waits for the other.
pub(super) const BLOCKS_A_THREAD: usize = 8;

/// Why there is no next block.
pub(super) enum NoBlock {
    /// The stream cannot be read.
    Read(io::Error),
    /// A line is too long.
    Overlong(Box<Fault>),
}

/// The error of a stream that could not be read on.
pub(super) fn failed(why: NoBlock, lines: &Lines<'_>) -> LinesError {
    match why {
        NoBlock::Read(error) => LinesError::Read(error),
        NoBlock::Overlong(fault) => lines.faults(vec![*fault]),
    }
}

/// Blocks of whole lines; only the last may lack its line end.
pub(super) struct Blocks {
    back: Vec<Vec<u8>>,
    ahead: Receiver<Result<Vec<u8>, NoBlock>>,
}

impl Blocks {
    /// Starts to read.
    pub fn of(mut input: Box<dyn Read + Send>, name: &str) -> Self {
        let (send, ahead) = sync_channel(AHEAD);
        let name = name.to_owned();
        // Not joined: after an error it may wait for a pipe that never speaks again.
        thread::spawn(move || {
            let mut rest = Vec::new();
            let mut line = 1;
            loop {
                let block = match next_block(&mut *input, &mut rest, &name, line) {
                    Ok(block) if block.is_empty() => return,
                    Ok(block) => block,
                    Err(error) => {
                        let _ = send.send(Err(error));
                        return;
                    }
                };
                line += memchr_iter(b'\n', &block).count() as u64;
                if send.send(Ok(block)).is_err() {
                    return;
                }
            }
        });
        Self {
            back: Vec::new(),
            ahead,
        }
    }

    /// The next block; waits for it.
    pub fn next(&mut self) -> Option<Result<Vec<u8>, NoBlock>> {
        match self.back.pop() {
            Some(block) => Some(Ok(block)),
            None => self.ahead.recv().ok(),
        }
    }

    /// The next block and those that are ready, at most `most`; empty at the end.
    pub fn several(&mut self, most: usize) -> Result<Vec<Vec<u8>>, NoBlock> {
        let mut blocks = Vec::new();
        blocks.extend(self.next().transpose()?);
        while !blocks.is_empty() && blocks.len() < most {
            match self
                .back
                .pop()
                .map_or_else(|| self.ahead.try_recv(), |b| Ok(Ok(b)))
            {
                Ok(block) => blocks.push(block?),
                Err(TryRecvError::Empty | TryRecvError::Disconnected) => break,
            }
        }
        Ok(blocks)
    }

    /// Gives a block back, to be the next.
    pub fn put_back(&mut self, block: Vec<u8>) {
        if !block.is_empty() {
            self.back.push(block);
        }
    }
}

/// Reads until there is a line end; a slow pipe is not waited for beyond that.
fn next_block(
    input: &mut dyn Read,
    rest: &mut Vec<u8>,
    name: &str,
    line: u64,
) -> Result<Vec<u8>, NoBlock> {
    let mut block = Vec::with_capacity(BLOCK + rest.len());
    block.append(rest);
    loop {
        let known = block.len();
        if known > LONGEST_LINE {
            return Err(NoBlock::Overlong(Box::new(overlong_line(name, line))));
        }
        block.resize(known + BLOCK, 0);
        let read = match input.read(&mut block[known..]) {
            Ok(read) => read,
            Err(error) if error.kind() == ErrorKind::Interrupted => {
                block.truncate(known);
                continue;
            }
            Err(error) => return Err(NoBlock::Read(error)),
        };
        block.truncate(known + read);
        if read == 0 {
            return Ok(block);
        }
        if let Some(end) = block[known..].iter().rposition(|b| *b == b'\n') {
            rest.extend_from_slice(&block[known + end + 1..]);
            block.truncate(known + end + 1);
            return Ok(block);
        }
    }
}
