//! In which order to take the readings: at random within blocks, so that drift
//! does not pass for flow or dead time, with the control reading around them.

use rand::SeedableRng;
use rand::seq::SliceRandom;
use rand_chacha::ChaCha8Rng;

/// Readings from which four blocks are made instead of two.
const FOUR_BLOCKS_FROM: usize = 20;

/// One reading in its place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Placed {
    /// Candidate.
    pub candidate: usize,
    /// Block, from 1; the control at the start belongs to the first, at the end to the last.
    pub block: usize,
    /// Whether this is one of the three control readings.
    pub control: bool,
}

/// Puts a design into order.
///
/// `counts[i]` readings of candidate i, of which `control` has at least three: one
/// stands first, one in the middle, one last. All others are dealt to two blocks
/// (four where there are twenty readings or more) so that each candidate's readings
/// spread over the blocks, and shuffled within each. The same seed gives the same order.
pub fn in_blocks(counts: &[u32], control: usize, seed: u64) -> Vec<Placed> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut left = counts.to_vec();
    left[control] = left[control].saturating_sub(3);
    let total: u32 = left.iter().sum();
    let blocks = if total as usize >= FOUR_BLOCKS_FROM {
        4
    } else {
        2
    };
    let mut dealt: Vec<Vec<usize>> = vec![Vec::new(); blocks];
    let mut candidates: Vec<usize> = (0..left.len()).filter(|i| left[*i] > 0).collect();
    candidates.shuffle(&mut rng);
    // Dealt on from one candidate to the next: blocks differ by one reading at most.
    let mut next = 0;
    for i in candidates {
        for _ in 0..left[i] {
            dealt[next % blocks].push(i);
            next += 1;
        }
    }
    let place = |candidate, block, control| Placed {
        candidate,
        block,
        control,
    };
    let mut out = vec![place(control, 1, true)];
    for (k, block) in dealt.iter_mut().enumerate() {
        block.shuffle(&mut rng);
        out.extend(block.iter().map(|i| place(*i, k + 1, false)));
        if k + 1 == blocks / 2 {
            out.push(place(control, k + 1, true));
        }
    }
    out.push(place(control, blocks, true));
    out
}

/// A random order of `count` things.
pub(super) fn shuffled(count: usize, seed: u64) -> Vec<usize> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x5eed);
    let mut order: Vec<usize> = (0..count).collect();
    order.shuffle(&mut rng);
    order
}
