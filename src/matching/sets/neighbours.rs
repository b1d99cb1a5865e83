//! Which items can share a set, and the cheapest set that holds a given item.

/// Items with the others that each may share a set with.
#[derive(Debug, Clone)]
pub(super) struct Neighbours {
    /// Amounts above zero, item by item, `points` values each.
    amounts: Vec<f64>,
    points: usize,
    size: usize,
    /// Largest ratio of two amounts at one point within a set.
    limit: f64,
    /// By item, in rising order.
    near: Vec<Vec<u32>>,
}

impl Neighbours {
    /// `limit` is the largest ratio of two amounts at one point within a set.
    pub(super) fn new(amounts: &[f64], points: usize, size: usize, limit: f64) -> Self {
        let count = amounts.len() / points;
        let mut order: Vec<u32> = (0..count as u32).collect();
        let at = |i: u32| &amounts[i as usize * points..(i as usize + 1) * points];
        order.sort_by(|a, b| at(*a)[0].total_cmp(&at(*b)[0]).then(a.cmp(b)));
        let mut near = vec![Vec::new(); count];
        for (position, &i) in order.iter().enumerate() {
            for &j in &order[position + 1..] {
                if at(j)[0] > at(i)[0] * limit {
                    break;
                }
                if at(i)
                    .iter()
                    .zip(at(j))
                    .all(|(a, b)| a.max(*b) <= a.min(*b) * limit)
                {
                    near[i as usize].push(j);
                    near[j as usize].push(i);
                }
            }
        }
        near.iter_mut().for_each(|n| n.sort_unstable());
        Self {
            amounts: amounts.to_vec(),
            points,
            size,
            limit,
            near,
        }
    }

    pub(super) fn items(&self) -> usize {
        self.near.len()
    }

    pub(super) fn points(&self) -> usize {
        self.points
    }

    pub(super) fn size(&self) -> usize {
        self.size
    }

    pub(super) fn of(&self, item: u32) -> &[u32] {
        &self.near[item as usize]
    }

    pub(super) fn amount(&self, item: u32, point: usize) -> f64 {
        self.amounts[item as usize * self.points + point]
    }

    /// Neighbours that follow `item` at the first point: with `item` as smallest
    /// there, each set is met at one item only.
    pub(super) fn after(&self, item: u32) -> Vec<u32> {
        let value = self.amount(item, 0);
        let follows = |j: &&u32| {
            let other = self.amount(**j, 0);
            other > value || (other == value && **j > item)
        };
        self.of(item).iter().filter(follows).copied().collect()
    }

    /// Sum over the points of the squared difference of the logarithms is costly;
    /// the largest ratio serves as distance.
    pub(super) fn ratio(&self, a: u32, b: u32) -> f64 {
        (0..self.points)
            .map(|p| {
                let (x, y) = (self.amount(a, p), self.amount(b, p));
                (x / y).max(y / x)
            })
            .fold(1.0, f64::max)
    }

    /// The cheapest set of `item` and some of `candidates` that fits a box of the
    /// limit at every point, if its price is below `below`.
    ///
    /// *Method*: point by point each candidate (or `item`) is taken as the smallest;
    /// inside a box the cheapest items are taken. Exact for box-shaped sets.
    pub(super) fn cheapest(
        &self,
        item: u32,
        candidates: &[u32],
        prices: &[f64],
        below: f64,
    ) -> Option<(f64, Vec<u32>)> {
        let mut sorted = candidates.to_vec();
        sorted.sort_unstable_by(|a, b| {
            prices[*a as usize]
                .total_cmp(&prices[*b as usize])
                .then(a.cmp(b))
        });
        let mut best = Cheapest {
            price: below,
            members: None,
        };
        self.descend(item, 0, &sorted, prices, &mut best);
        best.members.map(|members| (best.price, members))
    }

    /// `candidates` by rising price, all within the box at the points before `point`.
    fn descend(
        &self,
        item: u32,
        point: usize,
        candidates: &[u32],
        prices: &[f64],
        best: &mut Cheapest,
    ) {
        let rest = self.size - 1;
        if candidates.len() < rest {
            return;
        }
        let price = prices[item as usize]
            + candidates[..rest]
                .iter()
                .map(|j| prices[*j as usize])
                .sum::<f64>();
        if price >= best.price {
            return;
        }
        if point == self.points {
            let mut members = vec![item];
            members.extend(&candidates[..rest]);
            members.sort_unstable();
            *best = Cheapest {
                price,
                members: Some(members),
            };
            return;
        }
        let value = self.amount(item, point);
        let (mut lo, mut hi) = (value, value);
        for j in candidates {
            lo = lo.min(self.amount(*j, point));
            hi = hi.max(self.amount(*j, point));
        }
        if hi <= lo * self.limit {
            return self.descend(item, point + 1, candidates, prices, best);
        }
        let mut faces: Vec<f64> = candidates
            .iter()
            .map(|j| self.amount(*j, point))
            .filter(|v| *v < value)
            .collect();
        faces.push(value);
        faces.sort_unstable_by(f64::total_cmp);
        faces.dedup();
        for face in faces {
            let inside: Vec<u32> = candidates
                .iter()
                .copied()
                .filter(|j| (face..=face * self.limit).contains(&self.amount(*j, point)))
                .collect();
            self.descend(item, point + 1, &inside, prices, best);
        }
    }
}

struct Cheapest {
    price: f64,
    members: Option<Vec<u32>>,
}
