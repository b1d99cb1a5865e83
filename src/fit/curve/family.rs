//! Which departures are averaged over, and which of them look for noise scales and
//! misreadings.

use std::sync::LazyLock;

/// Decay times of the slow shapes, ms.
pub(super) const DECAY_TIMES_MS: [f64; 5] = [0.4, 0.8, 1.4, 2.4, 4.0];
/// Index of the long-end shape, after the decays.
pub(super) const LONG_END: usize = DECAY_TIMES_MS.len();
/// Number of rank-one shapes.
pub(super) const SHAPES: usize = LONG_END + 1;

/// Means of the leading shape that are tried.
const MEANS: usize = SIGN_PRIOR.len();

/// A family member with its place in the shape table.
#[derive(Clone)]
pub(super) struct Member {
    /// Variance of the amplitude at the anchor, ms².
    pub amplitude: f64,
    /// Variance of each decay over that.
    pub decays: [f64; DECAY_TIMES_MS.len()],
    /// Variance of the long end, ms².
    pub long_end: f64,
    /// Variance of the local part, ms².
    pub local: f64,
    /// Shape that carries the mean.
    pub leading: usize,
    /// Logarithm of its prior weight.
    pub log_weight: f64,
    /// Means of the leading shape to try, ms, with their log prior weights; the first is none.
    pub means: [(f64, f64); MEANS],
    /// Whether this member looks for the noise scales that matter.
    pub scout: bool,
    /// Whether misreadings are judged by this member.
    pub probe: bool,
}

impl Member {
    /// The decays that are in play, as indices with their variances at unit amplitude.
    pub fn decays_in_play(&self) -> impl Iterator<Item = (usize, f64)> {
        let variances = self.decays.iter().copied().enumerate();
        variances.filter(|(_, variance)| *variance != 0.0)
    }
}

/// The family that is averaged over (equations C8, C9).
pub(super) fn family() -> &'static [Member] {
    static FAMILY: LazyLock<Vec<Member>> = LazyLock::new(members);
    &FAMILY
}

fn members() -> Vec<Member> {
    // Members of one decay stand together: they share its shapes.
    let tried = (0..DECAY_TIMES_MS.len()).flat_map(|leading| {
        let amplitudes = AMPLITUDES.iter().enumerate();
        amplitudes.map(move |(size, amplitude)| (leading, size, amplitude.decays[leading]))
    });
    tried
        .filter(|&(_, _, stands_for)| stands_for > 0.0)
        .map(|(leading, size, stands_for)| member(leading, size, stands_for))
        .collect()
}

/// The departure that decays in one time from one amplitude, given as indices, with
/// its prior weight.
pub(super) fn member(leading: usize, size: usize, weight: f64) -> Member {
    let Amplitude { ms, local, .. } = AMPLITUDES[size];
    // What decays slowly is what is left when most has decayed.
    let left = (SLOW_FROM_MS / DECAY_TIMES_MS[leading]).min(1.0);
    let slow = ms * left.sqrt();
    let mut decays = [0.0; DECAY_TIMES_MS.len()];
    decays[..leading].fill(COMPANION);
    decays[leading] = left;
    let [none, less, more] = SIGN_PRIOR.map(f64::ln);
    Member {
        amplitude: ms * ms,
        decays,
        long_end: LONG_END_MS * LONG_END_MS,
        local: local * ms * ms,
        leading,
        log_weight: weight.ln(),
        means: [(0.0, none), (-SIGNED * slow, less), (SIGNED * slow, more)],
        scout: SCOUTS.contains(&(leading, size)),
        probe: PROBES.contains(&(leading, size)),
    }
}

/// An amplitude that is tried.
struct Amplitude {
    /// Standard deviation of the departure at the anchor, ms.
    ms: f64,
    /// Variance of the local part over its square.
    local: f64,
    /// For how many decays each stands: where the departure is small, readings do not
    /// tell it from its neighbours; where it is large, they choose between those there are.
    decays: [f64; DECAY_TIMES_MS.len()],
}

const AMPLITUDES: [Amplitude; 4] = [
    Amplitude {
        ms: 0.02,
        local: 0.1,
        decays: [0.0, 2.0, 0.0, 0.0, 3.0],
    },
    Amplitude {
        ms: 0.06,
        local: 0.1,
        decays: [1.0, 0.0, 2.0, 0.0, 2.0],
    },
    Amplitude {
        ms: 0.15,
        local: 0.2,
        decays: [1.0; 5],
    },
    Amplitude {
        ms: 0.4,
        local: 0.3,
        decays: [1.0, 0.0, 2.0, 0.0, 2.0],
    },
];
/// Decay time from which amplitudes fall, ms.
const SLOW_FROM_MS: f64 = 0.8;
/// Variance of each faster shape over that of the amplitude.
const COMPANION: f64 = 0.1;
/// Prior weights of no mean, short pulses delivering less, and more.
const SIGN_PRIOR: [f64; 3] = [0.35, 0.45, 0.2];
/// Mean of the one-signed variants over the amplitude.
const SIGNED: f64 = 1.33;
/// Standard deviation of the long-end departure at 1 ms off-time, ms.
const LONG_END_MS: f64 = 0.1;

/// Decay and amplitude, as indices, of the members that look for the noise
/// scales: one that can follow any curve, lest curve be taken for noise, and
/// one that is nearly straight.
const SCOUTS: [(usize, usize); 2] = [(4, 3), (2, 1)];

/// Those by which misreadings are judged, the scouts among them.
const PROBES: [(usize, usize); 4] = [(2, 1), (2, 2), (2, 3), (4, 3)];

#[cfg(test)]
mod tests {
    use super::*;

    /// Five decays times four amplitudes, each of weight one before some came to stand for others.
    #[test]
    fn members_weigh_as_many_as_they_stand_for_and_their_means_sum_to_one() {
        let weight: f64 = family().iter().map(|m| m.log_weight.exp()).sum();
        assert!((weight - 20.0).abs() < 1e-12, "{weight}");
        for member in family() {
            let means: f64 = member.means.iter().map(|(_, w)| w.exp()).sum();
            assert!((means - 1.0).abs() < 1e-12, "{means}");
        }
    }

    #[test]
    fn scouts_are_members_and_judge_misreadings_too() {
        let scouts: Vec<&Member> = family().iter().filter(|m| m.scout).collect();
        assert_eq!(scouts.len(), SCOUTS.len());
        assert!(scouts.iter().all(|m| m.probe));
        assert_eq!(family().iter().filter(|m| m.probe).count(), PROBES.len());
    }
}
