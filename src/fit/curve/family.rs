//! Which departures are averaged over, and which of them look for noise scales and
//! misreadings.

/// Decay times of the slow shapes, ms.
pub(super) const DECAY_TIMES_MS: [f64; 5] = [0.4, 0.8, 1.4, 2.4, 4.0];
/// Index of the long-end shape, after the decays.
pub(super) const LONG_END: usize = DECAY_TIMES_MS.len();
/// Number of rank-one shapes.
pub(super) const SHAPES: usize = LONG_END + 1;

/// A family member with its place in the shape table.
#[derive(Clone)]
pub(super) struct Member {
    /// Variance of each shape, ms².
    pub variances: [f64; SHAPES],
    /// Variance of the local part, ms².
    pub local: f64,
    /// Shape that carries the mean.
    pub leading: usize,
    /// Means of the leading shape to try, ms, with log prior weights.
    pub means: Vec<(f64, f64)>,
    /// Log prior weight.
    pub log_prior: f64,
    /// Whether this member looks for the noise scales that matter.
    pub scout: bool,
}

impl Member {
    /// The shapes that are in play, as indices with their variances.
    pub fn in_play(&self) -> Vec<(usize, f64)> {
        let variances = self.variances.iter().copied().enumerate();
        variances.filter(|(_, variance)| *variance != 0.0).collect()
    }
}

/// The family that is averaged over (equations C8, C9).
pub(super) fn family() -> Vec<Member> {
    let mut members = Vec::new();
    for (leading, decay) in DECAY_TIMES_MS.iter().enumerate() {
        for (size, (amplitude, local)) in AMPLITUDES_MS.into_iter().enumerate() {
            // What decays slowly is what is left when most has decayed.
            let slow = amplitude * (SLOW_FROM_MS / decay).min(1.0).sqrt();
            let mut variances = [0.0; SHAPES];
            for variance in &mut variances[..leading] {
                *variance = COMPANION * amplitude * amplitude;
            }
            variances[leading] = slow * slow;
            variances[LONG_END] = LONG_END_MS * LONG_END_MS;
            members.push(Member {
                variances,
                local: local * amplitude * amplitude,
                leading,
                means: vec![
                    (0.0, SIGN_PRIOR[0].ln()),
                    (-SIGNED * slow, SIGN_PRIOR[1].ln()),
                    (SIGNED * slow, SIGN_PRIOR[2].ln()),
                ],
                log_prior: 0.0,
                scout: SCOUTS.contains(&(leading, size)),
            });
        }
    }
    members
}

/// Where the member of a decay and an amplitude, as indices, stands in the family.
pub(super) fn place(decay: usize, amplitude: usize) -> usize {
    decay * AMPLITUDES_MS.len() + amplitude
}

/// Standard deviations of the departure at the anchor, ms, each with the
/// variance of the local part over its square.
const AMPLITUDES_MS: [(f64, f64); 4] = [(0.02, 0.1), (0.06, 0.1), (0.15, 0.2), (0.4, 0.3)];
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
/// scales: from one that can follow any curve, lest curve be taken for noise,
/// to one that is nearly straight.
const SCOUTS: [(usize, usize); 3] = [(4, 3), (2, 2), (2, 1)];

/// The few members by which misreadings are judged.
pub(super) fn probes() -> Vec<Member> {
    family()
        .into_iter()
        .enumerate()
        .filter(|(i, m)| m.leading % 2 == 0 && i % AMPLITUDES_MS.len() != 0)
        .map(|(_, mut m)| {
            m.means.truncate(1);
            m
        })
        .collect()
}
