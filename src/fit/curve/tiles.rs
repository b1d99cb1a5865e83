//! Covariances in tiles of four by four, so that sums stay in registers: what is
//! missing to a multiple of four stands as a unit on the diagonal.

/// Numbers that are worked on side by side.
pub(super) const LANES: usize = 4;
pub(super) type Lanes = [f64; LANES];
/// Four rows of four.
pub(super) type Tile = [Lanes; LANES];

/// Nothing.
pub(super) const ZERO: Tile = [[0.0; LANES]; LANES];

/// out −= leftᵀ · right, the first `ROWS` rows of it.
#[inline(always)]
pub(super) fn take_off<const ROWS: usize>(out: &mut [Lanes; ROWS], left: &Tile, right: &Tile) {
    let mut sums = *out;
    for (left, right) in left.iter().zip(right) {
        for (sums, factor) in sums.iter_mut().zip(left) {
            for (sum, right) in sums.iter_mut().zip(right) {
                *sum -= factor * right;
            }
        }
    }
    *out = sums;
}

/// out −= leftᵀ · right of a single column.
#[inline(always)]
pub(super) fn take_off_column(out: &mut Lanes, left: &Tile, right: &Lanes) {
    let mut sums = *out;
    for (left, factor) in left.iter().zip(right) {
        for (sum, left) in sums.iter_mut().zip(left) {
            *sum -= factor * left;
        }
    }
    *out = sums;
}

/// factor · tile + Σ column · rowᵀ over pairs of these.
#[inline(always)]
pub(super) fn products<'a>(
    factor: f64,
    tile: &Tile,
    pairs: impl Iterator<Item = (Lanes, &'a Lanes)>,
) -> Tile {
    let mut out = *tile;
    for value in out.as_flattened_mut() {
        *value *= factor;
    }
    for (column, row) in pairs {
        add_product(&mut out, &column, row);
    }
    out
}

/// out += column · rowᵀ.
#[inline(always)]
pub(super) fn add_product(out: &mut Tile, column: &Lanes, row: &Lanes) {
    for (out, factor) in out.iter_mut().zip(column) {
        for (out, row) in out.iter_mut().zip(row) {
            *out += factor * row;
        }
    }
}

/// Solves Uᵀ x = b in place, `inverse` being one over the diagonal of U.
#[inline(always)]
pub(super) fn solve(b: &mut Tile, upper: &Tile, inverse: &Lanes) {
    for i in 0..LANES {
        let mut row = b[i];
        for above in 0..i {
            for (value, above_value) in row.iter_mut().zip(&b[above]) {
                *value -= upper[above][i] * above_value;
            }
        }
        b[i] = row.map(|value| value * inverse[i]);
    }
}

/// The same for a single column.
#[inline(always)]
pub(super) fn solve_column(b: &mut Lanes, upper: &Tile, inverse: &Lanes) {
    for i in 0..LANES {
        let known: f64 = (0..i).map(|above| upper[above][i] * b[above]).sum();
        b[i] = (b[i] - known) * inverse[i];
    }
}

/// Turns a symmetric tile, of which the upper half counts, into U of Uᵀ U; what
/// is left of the diagonal is not worked on. Gives the pivots and one over the
/// diagonal of U; `None` when the tile is not positive definite.
#[inline(always)]
pub(super) fn factor(tile: &mut Tile) -> Option<(Lanes, Lanes)> {
    let (mut pivots, mut inverse) = ([0.0; LANES], [0.0; LANES]);
    for i in 0..LANES {
        let mut row = tile[i];
        for above in 0..i {
            for (value, above_value) in row.iter_mut().zip(&tile[above]) {
                *value -= tile[above][i] * above_value;
            }
        }
        let pivot = row[i];
        if pivot.is_nan() || pivot <= 0.0 {
            return None;
        }
        pivots[i] = pivot;
        // Root and reciprocal do not wait for each other.
        inverse[i] = pivot.sqrt() * (1.0 / pivot);
        tile[i] = row.map(|value| value * inverse[i]);
    }
    Some((pivots, inverse))
}

/// Tiles in a row of `count` numbers.
pub(super) fn tiles_of(count: usize) -> usize {
    count.div_ceil(LANES)
}

/// Numbers in lanes, zero beyond the last.
pub(super) fn in_lanes(numbers: impl ExactSizeIterator<Item = f64>) -> Vec<Lanes> {
    let mut out = vec![[0.0; LANES]; tiles_of(numbers.len())];
    for (i, number) in numbers.enumerate() {
        out[i / LANES][i % LANES] = number;
    }
    out
}
