//! Many disjoint sets: greedy from the edge of the stock, then tearing down and
//! rebuilding small neighbourhoods.

use super::neighbours::Neighbours;

/// Candidates around an item that the greedy looks at; the nearest.
const GREEDY_REACH: usize = 96;

/// A seeded generator (splitmix64, G. Steele, D. Lea and C. Flood, OOPSLA 2014):
/// the same answer on every machine.
#[derive(Debug, Clone)]
pub(super) struct Dice(u64);

impl Dice {
    pub(super) fn new(seed: u64) -> Self {
        Self(seed)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// 0 (included) to 1 (not included).
    fn share(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    fn below(&mut self, count: usize) -> usize {
        ((self.share() * count as f64) as usize).min(count - 1)
    }
}

/// Disjoint sets, each within the tolerance.
#[derive(Debug, Clone)]
pub(super) struct Packing {
    pub sets: Vec<Vec<u32>>,
    /// By item: not in a set.
    free: Vec<bool>,
}

/// Builds sets until none can be added.
///
/// *Method*: the item with the fewest free neighbours first, as it has the fewest
/// chances; with it the cheapest others.
pub(super) fn greedy(near: &Neighbours, prices: &[f64]) -> Packing {
    let mut packing = Packing {
        sets: Vec::new(),
        free: vec![true; near.items()],
    };
    let pool: Vec<u32> = (0..near.items() as u32).collect();
    packing.sets = fill(near, &mut packing.free, &pool, prices);
    packing
}

/// Takes sets from the free items of `pool` until none is left.
fn fill(near: &Neighbours, free: &mut [bool], pool: &[u32], prices: &[f64]) -> Vec<Vec<u32>> {
    let mut sets = Vec::new();
    let mut usable = vec![false; near.items()];
    pool.iter()
        .filter(|i| free[**i as usize])
        .for_each(|i| usable[*i as usize] = true);
    let mut degree = vec![0usize; near.items()];
    for &i in pool {
        degree[i as usize] = near.of(i).iter().filter(|j| usable[**j as usize]).count();
    }
    let mut waiting: std::collections::BTreeSet<(usize, u32)> = pool
        .iter()
        .filter(|i| usable[**i as usize])
        .map(|i| (degree[*i as usize], *i))
        .collect();
    while let Some((_, item)) = waiting.pop_first() {
        let mut candidates: Vec<u32> = near
            .of(item)
            .iter()
            .filter(|j| usable[**j as usize])
            .copied()
            .collect();
        if candidates.len() > GREEDY_REACH {
            let by_ratio = |a: &u32, b: &u32| {
                near.ratio(item, *a)
                    .total_cmp(&near.ratio(item, *b))
                    .then(a.cmp(b))
            };
            candidates.select_nth_unstable_by(GREEDY_REACH, by_ratio);
            candidates.truncate(GREEDY_REACH);
        }
        let set = near.cheapest(item, &candidates, prices, f64::INFINITY);
        let gone = match set {
            Some((_, members)) => {
                members.iter().for_each(|i| free[*i as usize] = false);
                sets.push(members.clone());
                members
            }
            None => vec![item],
        };
        for &g in &gone {
            usable[g as usize] = false;
            waiting.remove(&(degree[g as usize], g));
        }
        for &g in &gone {
            for &j in near.of(g) {
                if usable[j as usize] {
                    waiting.remove(&(degree[j as usize], j));
                    degree[j as usize] -= 1;
                    waiting.insert((degree[j as usize], j));
                }
            }
        }
    }
    sets
}

/// Tears down a few neighbouring sets and rebuilds them with shaken prices, `moves` times;
/// keeps what is no worse. Ends early at `enough` sets.
pub(super) fn improve(
    near: &Neighbours,
    mut packing: Packing,
    prices: &[f64],
    moves: usize,
    enough: usize,
    dice: &mut Dice,
) -> Packing {
    let mean = prices.iter().sum::<f64>() / prices.len().max(1) as f64;
    let mut shaken = prices.to_vec();
    for _ in 0..moves {
        if packing.sets.len() >= enough || packing.sets.is_empty() {
            break;
        }
        let (pool, torn) = neighbourhood(near, &packing, dice);
        let mut free = packing.free.clone();
        torn.iter()
            .flat_map(|s| &packing.sets[*s])
            .for_each(|i| free[*i as usize] = true);
        for &i in &pool {
            shaken[i as usize] = prices[i as usize] + mean * dice.share();
        }
        let rebuilt = fill(near, &mut free, &pool, &shaken);
        if rebuilt.len() >= torn.len() {
            let mut kept: Vec<Vec<u32>> = packing
                .sets
                .iter()
                .enumerate()
                .filter(|(s, _)| !torn.contains(s))
                .map(|(_, set)| set.clone())
                .collect();
            kept.extend(rebuilt);
            packing = Packing { sets: kept, free };
        }
    }
    packing
}

/// A free item or a member, the two to six sets nearest to it, and all free items near those.
fn neighbourhood(near: &Neighbours, packing: &Packing, dice: &mut Dice) -> (Vec<u32>, Vec<usize>) {
    let centre = dice.below(near.items()) as u32;
    let wanted = 2 + dice.below(5);
    let mut by_ratio: Vec<(f64, usize)> = packing
        .sets
        .iter()
        .enumerate()
        .map(|(s, set)| {
            (
                set.iter()
                    .map(|i| near.ratio(centre, *i))
                    .fold(f64::INFINITY, f64::min),
                s,
            )
        })
        .collect();
    by_ratio.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    let torn: Vec<usize> = by_ratio.iter().take(wanted).map(|(_, s)| *s).collect();
    let mut pool: Vec<u32> = torn
        .iter()
        .flat_map(|s| packing.sets[*s].iter().copied())
        .collect();
    let around: Vec<u32> = pool
        .iter()
        .flat_map(|i| near.of(*i).iter().copied())
        .filter(|j| packing.free[*j as usize])
        .collect();
    pool.extend(around);
    pool.sort_unstable();
    pool.dedup();
    (pool, torn)
}
