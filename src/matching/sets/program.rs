//! The linear program of prices over the sets known so far, solved to a few parts in ten thousand.

/// Minimises Σ y subject to Σ_{i∈S} y_i ≥ 1 for each set S, y ≥ 0.
///
/// A simplex code took 20 s where this takes a tenth of a second: the program is
/// large, sparse and degenerate, and its answer is only a proposal: the bound is
/// made valid by pricing whatever the prices are.
#[derive(Debug, Clone)]
pub(super) struct Program {
    /// Price of each item.
    pub prices: Vec<f64>,
    /// Sets with their weight in the fractional packing.
    pub sets: Vec<(Vec<u32>, f64)>,
}

/// Steps between restarts, and restarts in one call.
const STEPS: usize = 200;
const RESTARTS: usize = 6;

impl Program {
    /// Starts from `prices`.
    pub(super) fn new(prices: Vec<f64>) -> Self {
        Self {
            prices,
            sets: Vec::new(),
        }
    }

    /// Adds a set with weight zero.
    pub(super) fn add(&mut self, set: Vec<u32>) {
        self.sets.push((set, 0.0));
    }

    /// Price of a set.
    pub(super) fn price(&self, set: &[u32]) -> f64 {
        price(&self.prices, set)
    }

    /// Drops the sets that are dear and unused.
    pub(super) fn forget_dear(&mut self, above: f64) {
        let prices = &self.prices;
        self.sets
            .retain(|(set, weight)| *weight > 1e-6 || price(prices, set) < above);
    }

    /// The number of sets that the weights pack, scaled until no item is in more than one.
    pub(super) fn packed(&self) -> f64 {
        let mut load = vec![0.0; self.prices.len()];
        for (set, weight) in &self.sets {
            set.iter().for_each(|i| load[*i as usize] += weight);
        }
        let most = load.iter().fold(1.0f64, |a, b| a.max(*b));
        self.sets.iter().map(|(_, weight)| weight).sum::<f64>() / most
    }

    /// Improves prices and weights, starting from what they are.
    ///
    /// *Method*: primal-dual hybrid gradient, restarted from the average of its steps.
    /// *Source*: A. Chambolle and T. Pock, J. Math. Imaging Vis. 40 (2011) 120–145,
    /// algorithm 1; D. Applegate et al., Math. Program. 201 (2023) 133–184, the restarts.
    pub(super) fn solve(&mut self) {
        let step = 0.95 / self.norm();
        let mut weights: Vec<f64> = self.sets.iter().map(|(_, w)| *w).collect();
        let mut prices = self.prices.clone();
        for _ in 0..RESTARTS {
            let mut mean_prices = vec![0.0; prices.len()];
            let mut mean_weights = vec![0.0; weights.len()];
            for _ in 0..STEPS {
                let mut cover = vec![0.0; prices.len()];
                for ((set, _), weight) in self.sets.iter().zip(&weights) {
                    set.iter().for_each(|i| cover[*i as usize] += weight);
                }
                // Reflected prices, as the method asks.
                let mut ahead = vec![0.0; prices.len()];
                for i in 0..prices.len() {
                    let next = (prices[i] - step * (1.0 - cover[i])).max(0.0);
                    ahead[i] = 2.0 * next - prices[i];
                    prices[i] = next;
                    mean_prices[i] += next / STEPS as f64;
                }
                for (s, (set, _)) in self.sets.iter().enumerate() {
                    weights[s] = (weights[s] + step * (1.0 - price(&ahead, set))).max(0.0);
                    mean_weights[s] += weights[s] / STEPS as f64;
                }
            }
            if self.bound(&mean_prices) <= self.bound(&prices) {
                prices = mean_prices;
                weights = mean_weights;
            }
        }
        self.prices = prices;
        self.sets
            .iter_mut()
            .zip(weights)
            .for_each(|((_, w), new)| *w = new);
    }

    /// Σ y over the price of the cheapest known set.
    fn bound(&self, prices: &[f64]) -> f64 {
        let cheapest = self
            .sets
            .iter()
            .map(|(set, _)| price(prices, set))
            .fold(f64::INFINITY, f64::min);
        prices.iter().sum::<f64>() / cheapest.max(f64::MIN_POSITIVE)
    }

    /// Largest singular value of the matrix of sets and items, by power iteration.
    fn norm(&self) -> f64 {
        let mut v = vec![1.0; self.prices.len()];
        let mut norm = 1.0;
        for _ in 0..30 {
            let mut next = vec![0.0; v.len()];
            for (set, _) in &self.sets {
                let along = price(&v, set);
                set.iter().for_each(|i| next[*i as usize] += along);
            }
            let length = next.iter().map(|x| x * x).sum::<f64>().sqrt();
            norm = length.sqrt();
            v = next.into_iter().map(|x| x / length).collect();
        }
        norm.max(1.0)
    }
}

fn price(prices: &[f64], set: &[u32]) -> f64 {
    set.iter().map(|i| prices[*i as usize]).sum()
}
