//! What the search works on, and how small the spread of a begun set can become.

/// What the search works on.
#[derive(Debug, Clone, Copy)]
pub(super) struct Problem<'a> {
    /// Amounts above zero, item by item, `points` values each.
    pub amounts: &'a [f64],
    /// Number of operating points, 1 or more.
    pub points: usize,
    /// Size of the set, 2 or more.
    pub size: usize,
    /// Items that must be in the set, fewer than or as many as `size`.
    pub required: &'a [usize],
}

impl Problem<'_> {
    pub(super) fn items(&self) -> usize {
        self.amounts.len() / self.points
    }

    pub(super) fn amount(&self, item: usize, point: usize) -> f64 {
        self.amounts[item * self.points + point]
    }

    /// (max − min)/mean at the worst point, as a ratio.
    pub(super) fn spread(&self, members: &[usize]) -> f64 {
        (0..self.points)
            .map(|p| self.spread_at(members, p))
            .fold(0.0, f64::max)
    }

    /// (max − min)/mean at one point, as a ratio.
    pub(super) fn spread_at(&self, members: &[usize], point: usize) -> f64 {
        let (mut lo, mut hi, mut sum) = (f64::MAX, f64::MIN, 0.0);
        for &item in members {
            let v = self.amount(item, point);
            lo = lo.min(v);
            hi = hi.max(v);
            sum += v;
        }
        (hi - lo) * members.len() as f64 / sum
    }
}

/// A set with its spread.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Found {
    /// Spread as a ratio.
    pub spread: f64,
    /// Items in rising order.
    pub members: Vec<usize>,
}

/// Largest ratio of two amounts in a set of `size` whose spread is below `spread`:
/// max/min is largest where all but the smallest are equal to the largest.
pub(super) fn ratio_limit(spread: f64, size: usize) -> f64 {
    let k = size as f64;
    let denominator = k - spread * (k - 1.0);
    if denominator <= 0.0 {
        f64::INFINITY
    } else {
        (k + spread) / denominator
    }
}

/// Items chosen so far, with their box.
#[derive(Debug, Clone)]
pub(super) struct Chosen {
    pub items: Vec<usize>,
    /// Smallest amount, by point; so the largest and the sum.
    pub lo: Vec<f64>,
    pub hi: Vec<f64>,
    pub sum: Vec<f64>,
}

impl Chosen {
    pub(super) fn new(problem: &Problem, items: &[usize]) -> Self {
        let d = problem.points;
        let mut chosen = Self {
            items: Vec::new(),
            lo: vec![f64::MAX; d],
            hi: vec![0.0; d],
            sum: vec![0.0; d],
        };
        items.iter().for_each(|&item| chosen.add(problem, item));
        chosen
    }

    pub(super) fn add(&mut self, problem: &Problem, item: usize) {
        for p in 0..problem.points {
            let v = problem.amount(item, p);
            self.lo[p] = self.lo[p].min(v);
            self.hi[p] = self.hi[p].max(v);
            self.sum[p] += v;
        }
        self.items.push(item);
    }

    /// Smallest spread of any set that holds these items: the box only grows, and
    /// a larger maximum costs more than it adds to the mean.
    pub(super) fn lower_bound(&self, size: usize) -> f64 {
        let rest = (size - self.items.len()) as f64;
        (0..self.lo.len())
            .map(|p| (self.hi[p] - self.lo[p]) * size as f64 / (self.sum[p] + rest * self.hi[p]))
            .fold(0.0, f64::max)
    }
}
