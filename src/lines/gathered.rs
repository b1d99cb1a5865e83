//! Rows of an injector stand anywhere: all readings are kept, 16 bytes each, then sorted.
//!
//! Looking up an injector at random among thousands waits for memory at every row. So rows are
//! first dealt out by a hash of the injector; what belongs to one share fits the cache.

use std::collections::HashMap;
use std::hash::{BuildHasher, BuildHasherDefault, Hasher};

use rayon::prelude::*;

use super::blocks::{BLOCKS_A_THREAD, Blocks, failed};
use super::injector::{Condition, Run, Text};
use super::{Lines, LinesError, LinesRequest};
use crate::capture::{CaptureStream, Fault, Setting, StreamRow};
use crate::characterisation::NotFinite;
use crate::units::Basis;

/// Shares that the injectors are dealt to; a power of two.
const SHARES: usize = 64;
/// Readings of a piece of memory. Pieces are of one size, so that those freed are used again.
const PIECE: usize = 4096;
/// Injectors fitted before their lines are written.
const FITTED_AT_ONCE: usize = 256;

/// A quick hash for words and numbers that only deals things out.
#[derive(Default)]
struct Mix(u64);

impl Hasher for Mix {
    fn finish(&self) -> u64 {
        self.0 ^ (self.0 >> 32)
    }

    fn write(&mut self, bytes: &[u8]) {
        let (words, rest) = bytes.as_chunks();
        for word in words {
            self.write_u64(u64::from_le_bytes(*word));
        }
        if !rest.is_empty() {
            let mut word = [0; 8];
            word[..rest.len()].copy_from_slice(rest);
            self.write_u64(u64::from_le_bytes(word));
        }
    }

    fn write_u32(&mut self, word: u32) {
        self.write_u64(u64::from(word));
    }

    fn write_u64(&mut self, word: u64) {
        // The golden ratio in 64 bits, as in Fibonacci hashing.
        self.0 = (self.0.rotate_left(23) ^ word).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    }
}

type Quick = BuildHasherDefault<Mix>;

/// At what an injector was read, and how it was fired.
#[derive(Clone, Copy)]
struct Circumstance {
    condition: Condition,
    setting: Setting,
}

impl Circumstance {
    /// The same for the same circumstance.
    fn key(&self) -> [u64; 5] {
        // No number that is read is NaN.
        let bits = |value: Option<f64>| value.unwrap_or(f64::NAN).to_bits();
        let (voltage, pressure) = self.condition;
        let Setting {
            pulse_width_ms,
            pulses,
            period_ms,
        } = self.setting;
        [
            bits(voltage),
            bits(pressure),
            pulse_width_ms.to_bits(),
            pulses.to_bits(),
            bits(period_ms),
        ]
    }
}

/// Places for the circumstances met lately; a power of two.
const LATELY: usize = 1024;

/// Circumstances met, numbered by first appearance.
struct Numbered {
    numbers: HashMap<[u64; 5], u32, Quick>,
    list: Vec<Circumstance>,
    /// By hash: most rows are of a circumstance that was met shortly before.
    lately: Vec<([u64; 5], u32)>,
}

impl Default for Numbered {
    fn default() -> Self {
        Self {
            numbers: HashMap::default(),
            list: Vec::new(),
            // A pulse width of 0 is never met.
            lately: vec![([0; 5], 0); LATELY],
        }
    }
}

impl Numbered {
    fn number(&mut self, circumstance: Circumstance) -> u32 {
        let key = circumstance.key();
        let mut hash = Mix::default();
        key.iter().for_each(|word| hash.write_u64(*word));
        let lately = &mut self.lately[hash.finish() as usize % LATELY];
        // Word by word: a comparison as bytes would be a call.
        let differ = lately.0.iter().zip(&key).fold(0, |d, (a, b)| d | (a ^ b));
        if differ == 0 {
            return lately.1;
        }
        let next = u32::try_from(self.list.len()).expect("fewer than 2³² circumstances are met");
        let number = *self.numbers.entry(key).or_insert(next);
        if number == next {
            self.list.push(circumstance);
        }
        *lately = (key, number);
        number
    }
}

/// Bytes of an injector that a row dealt out carries: with them most are known without a look
/// at the text, which would wait for memory.
const HEAD: usize = 8;

/// The first bytes of an injector.
fn head(injector: &[u8]) -> [u8; HEAD] {
    let mut head = [0; HEAD];
    for (to, from) in head.iter_mut().zip(injector) {
        *to = *from;
    }
    head
}

/// A row dealt out: its injector, where that stands in the text of the part, and its
/// circumstance as the part numbers it.
struct Dealt {
    head: [u8; HEAD],
    word: u32,
    length: u32,
    circumstance: u32,
    delivered: f64,
}

impl Dealt {
    /// Tells injectors apart that are no longer than a head.
    fn key(&self) -> (u64, u32) {
        (u64::from_le_bytes(self.head), self.length)
    }
}

/// The rows of one block, dealt out.
struct Part {
    lines: u64,
    rows: u64,
    circumstances: Numbered,
    /// Injectors of a block that the careful reader had to read; else the block is the text.
    words: Vec<u8>,
    shares: Vec<Vec<Dealt>>,
}

impl Part {
    fn new(bytes: usize) -> Self {
        Self {
            lines: 0,
            rows: 0,
            circumstances: Numbered::default(),
            words: Vec::new(),
            shares: (0..SHARES)
                .map(|_| Vec::with_capacity(bytes / SHARES / 24))
                .collect(),
        }
    }

    /// Reads a block byte by byte; `None` where it is not plain.
    fn plain(stream: &CaptureStream, block: &[u8]) -> Option<Self> {
        let mut part = Self::new(block.len());
        let begin = block.as_ptr() as usize;
        part.lines = stream.read_plain(block, |row| {
            part.add(&row, row.injector.as_ptr() as usize - begin);
        })?;
        Some(part)
    }

    /// Reads a block that begins at a line carefully.
    fn careful(stream: &mut CaptureStream, block: &[u8], line: u64) -> Result<Self, Vec<Fault>> {
        let mut part = Self::new(block.len());
        let mut words = Vec::new();
        part.lines = stream.read_carefully(block, line, |row, _| {
            part.add(&row, words.len());
            words.extend_from_slice(row.injector);
        })?;
        part.words = words;
        Ok(part)
    }

    /// The word of a row; `block` is what the part was read from.
    fn word<'a>(&'a self, block: &'a [u8], row: &Dealt) -> &'a [u8] {
        let text = if self.words.is_empty() {
            block
        } else {
            &self.words
        };
        &text[row.word as usize..][..row.length as usize]
    }

    /// Adds a row whose injector stands at `word` in the text.
    fn add(&mut self, row: &StreamRow<'_>, word: usize) {
        let circumstance = Circumstance {
            condition: (row.voltage_v, row.pressure_kpa),
            setting: row.setting,
        };
        let share = Quick::default().hash_one(row.injector) as usize % SHARES;
        let dealt = Dealt {
            head: head(row.injector),
            word: u32::try_from(word).expect("a block is smaller than 4 GiB"),
            length: u32::try_from(row.injector.len()).expect("a line is smaller than 4 GiB"),
            circumstance: self.circumstances.number(circumstance),
            delivered: row.delivered,
        };
        self.shares[share].push(dealt);
        self.rows += 1;
    }
}

/// A reading as it is kept.
#[derive(Debug, Clone, Copy, Default)]
struct Kept {
    /// Number of the injector in the share.
    injector: u32,
    circumstance: u32,
    delivered: f64,
}

/// Readings in pieces of one size.
#[derive(Default)]
struct Pieces {
    pieces: Vec<Vec<Kept>>,
}

impl Pieces {
    fn push(&mut self, kept: Kept) {
        match self.pieces.last_mut() {
            Some(piece) if piece.len() < PIECE => piece.push(kept),
            _ => {
                let mut piece = Vec::with_capacity(PIECE);
                piece.push(kept);
                self.pieces.push(piece);
            }
        }
    }

    fn at(&self, index: usize) -> Kept {
        self.pieces[index / PIECE][index % PIECE]
    }

    /// The same by rising number, of which there are `numbers`; as they came where it is the same.
    fn in_order(self, numbers: usize, number: impl Fn(&Kept) -> u32) -> Self {
        let mut next = vec![0; numbers];
        for kept in self.pieces.iter().flatten() {
            next[number(kept) as usize] += 1;
        }
        let mut total = 0;
        for slot in &mut next {
            total += std::mem::replace(slot, total);
        }
        let mut sorted = Self::default();
        for from in (0..total).step_by(PIECE) {
            let length = PIECE.min(total - from);
            let mut piece = Vec::with_capacity(PIECE);
            piece.resize(length, Kept::default());
            sorted.pieces.push(piece);
        }
        for kept in self.pieces.into_iter().flatten() {
            let slot = &mut next[number(&kept) as usize];
            sorted.pieces[*slot / PIECE][*slot % PIECE] = kept;
            *slot += 1;
        }
        sorted
    }
}

/// An injector in its share.
struct Known {
    injector: String,
    /// Block and place in it of the first row.
    first: (u64, u32),
    readings: usize,
}

/// Injectors of one hash with their readings.
#[derive(Default)]
struct Share {
    /// By head and length, of injectors that are no longer than a head.
    short: HashMap<(u64, u32), u32, Quick>,
    long: HashMap<Vec<u8>, u32, Quick>,
    injectors: Vec<Known>,
    kept: Pieces,
}

impl Share {
    /// Adds what `part` dealt to this share; `circumstances` are the common numbers of those of
    /// the part.
    fn add(
        &mut self,
        (part, block): (&Part, &[u8]),
        share: usize,
        number: u64,
        circumstances: &[u32],
    ) {
        for row in &part.shares[share] {
            let known = match row.length as usize {
                ..=HEAD => self.short.get(&row.key()),
                _ => self.long.get(part.word(block, row)),
            };
            let injector = match known {
                Some(injector) => *injector,
                None => self.add_injector(row, part.word(block, row), number),
            };
            self.injectors[injector as usize].readings += 1;
            self.kept.push(Kept {
                injector,
                circumstance: circumstances[row.circumstance as usize],
                delivered: row.delivered,
            });
        }
    }

    fn add_injector(&mut self, row: &Dealt, word: &[u8], block: u64) -> u32 {
        let number = u32::try_from(self.injectors.len()).expect("fewer than 2³² injectors");
        match word.len() {
            ..=HEAD => self.short.insert(row.key(), number),
            _ => self.long.insert(word.to_vec(), number),
        };
        self.injectors.push(Known {
            injector: String::from_utf8_lossy(word).into_owned(),
            first: (block, row.word),
            readings: 0,
        });
        number
    }

    /// Puts the readings of each injector together, by the rank of their circumstance.
    fn sort(&mut self, ranks: &[u32]) {
        let mut kept = std::mem::take(&mut self.kept);
        let readings: usize = self.injectors.iter().map(|known| known.readings).sum();
        // Counting the ranks would cost more than it saves where hardly two readings share one.
        if ranks.len() <= readings {
            kept = kept.in_order(ranks.len(), |kept| ranks[kept.circumstance as usize]);
        }
        self.kept = kept.in_order(self.injectors.len(), |kept| kept.injector);
        (self.short, self.long) = Default::default();
    }
}

/// Everything gathered.
#[derive(Default)]
struct Gathered {
    circumstances: Numbered,
    shares: Vec<Share>,
}

impl Gathered {
    fn add(&mut self, parts: &[Part], batch: &[Vec<u8>], first_block: u64) {
        let numbers: Vec<Vec<u32>> = parts
            .iter()
            .map(|part| {
                let list = part.circumstances.list.iter();
                list.map(|c| self.circumstances.number(*c)).collect()
            })
            .collect();
        let shares = self.shares.par_iter_mut().with_max_len(1).enumerate();
        shares.for_each(|(number, share)| {
            for (k, (part, circumstances)) in parts.iter().zip(&numbers).enumerate() {
                let block = first_block + k as u64;
                share.add((part, &batch[k]), number, block, circumstances);
            }
        });
    }

    /// Puts the readings of each injector together, those of a sweep in the order in which its
    /// fit wants them.
    fn sort(&mut self) {
        let list = &self.circumstances.list;
        let mut order: Vec<usize> = (0..list.len()).collect();
        // Of positive numbers the bits rise with the value.
        order.sort_by_key(|at| list[*at].key());
        let mut ranks = vec![0; list.len()];
        for (rank, at) in (0..).zip(order) {
            ranks[at] = rank;
        }
        let shares = self.shares.par_iter_mut().with_max_len(1);
        shares.for_each(|share| share.sort(&ranks));
    }

    /// The readings of an injector; they begin at `from`.
    fn run(&self, share: &Share, known: &Known, from: usize) -> Run {
        let mut run = Run::new(known.injector.as_bytes(), 0).with_room(known.readings);
        for index in from..from + known.readings {
            let kept = share.kept.at(index);
            let Circumstance { condition, setting } =
                self.circumstances.list[kept.circumstance as usize];
            run.add(condition, setting, kept.delivered);
        }
        run
    }

    fn write(
        &self,
        stream: &CaptureStream,
        basis: Basis,
        request: &LinesRequest,
        lines: &mut Lines<'_>,
    ) -> Result<(), LinesError> {
        let mut order: Vec<((u64, u32), &Share, &Known, usize)> = Vec::new();
        for share in &self.shares {
            let mut from = 0;
            for known in &share.injectors {
                order.push((known.first, share, known, from));
                from += known.readings;
            }
        }
        order.sort_by_key(|(first, ..)| *first);
        for some in order.chunks(FITTED_AT_ONCE) {
            let texts: Vec<Result<Text, NotFinite>> = some
                .par_iter()
                .with_max_len(1)
                .map(|(_, share, known, from)| {
                    let mut text = Text::default();
                    let run = self.run(share, known, *from);
                    run.write(stream, basis, request, &mut text).map(|()| text)
                })
                .collect();
            for text in texts {
                let text = text?;
                lines.write(&text.bytes, text.lines)?;
            }
        }
        Ok(())
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
    let mut gathered = Gathered {
        shares: (0..SHARES).map(|_| Share::default()).collect(),
        ..Gathered::default()
    };
    let (mut line, mut number, mut rows) = (first_line, 0, 0);
    let most = BLOCKS_A_THREAD * rayon::current_num_threads();
    loop {
        let batch = blocks.several(most).map_err(|why| failed(why, lines))?;
        if batch.is_empty() {
            break;
        }
        let plain: Vec<Option<Part>> = batch
            .par_iter()
            .with_max_len(1)
            .map(|block| Part::plain(stream, block))
            .collect();
        let mut parts = Vec::with_capacity(batch.len());
        for (block, part) in batch.iter().zip(plain) {
            let part = match part {
                Some(part) => part,
                None => {
                    Part::careful(stream, block, line).map_err(|faults| lines.faults(faults))?
                }
            };
            line += part.lines;
            rows += part.rows;
            parts.push(part);
        }
        gathered.add(&parts, &batch, number);
        number += parts.len() as u64;
    }
    stream.finish().map_err(|faults| lines.faults(faults))?;
    gathered.sort();
    gathered.write(stream, basis, request, lines)?;
    Ok(rows)
}
