//! What the bench file says about reading: uncertainty of one reading, its
//! offset, and what is assumed where nothing is stated.

use crate::capture::{Bench, HowWell, Reading, VesselKind};
use crate::units::Basis;

/// Smallest reading offset uncertainty that is assumed for a vessel, mm³ (0.3 mL):
/// wetting, drip and drain of a glass cylinder. Common practice, no source.
const ASSUMED_OFFSET: f64 = 300.0;
/// The assumption is for cylinders of tens of millilitres; of a smaller
/// collection it takes no more than this share of the largest reading.
const LARGEST_OFFSET_SHARE: f64 = 0.05;
/// How well a stated repeatability is known: standard deviation of its
/// logarithm, about a third either way.
const ROUGHLY_LOG_SD: f64 = 0.3;
/// Repeatability from reading to reading where none is stated, relative, and the
/// standard deviation of its logarithm. Common practice, no source.
const REPEATABILITY: (f64, f64) = (0.003, 0.9);
/// The same where a quick check has too few readings to correct it, relative: between the
/// median above, 0.3 %, and the mean of that distribution, 0.45 %.
const REPEATABILITY_OF_FEW: f64 = 0.004;
/// Density used only to turn that assumption into a mass, g/mL: light fuel.
const LIGHT_FUEL_DENSITY: f64 = 0.72;
/// An eye reads a scale to about this share of a division (standard
/// uncertainty). Common practice, no source.
const EYE_SHARE: f64 = 0.4;

/// How one sweep's readings were made, in mm³ or mg.
#[derive(Debug, Clone, PartialEq)]
pub struct Instrument {
    /// Smallest division; `None` where neither stated nor apparent.
    pub division: Option<f64>,
    /// Whether the division is stated in the bench file.
    pub division_stated: bool,
    /// Standard uncertainty of one reading: best guess.
    pub reading_uncertainty: f64,
    /// Whether that is stated.
    pub reading_stated: bool,
    /// Never below this: division/√12.
    pub reading_floor: f64,
    /// Reading offset expected beforehand: 0, or what other sweeps of the vessel say.
    pub offset_mean: f64,
    /// Standard uncertainty of the reading offset.
    pub offset_uncertainty: f64,
    /// Whether that is stated.
    pub offset_stated: bool,
    /// Repeatability of injector and rig expected beforehand, relative, and the
    /// standard deviation of its logarithm; 0 where it is known.
    pub repeatability: (f64, f64),
    /// The same as a quick check takes it: as stated, else the one assumed for few widths.
    pub repeatability_of_few: f64,
    /// Scatter of a single pulse, where it is stated, and the standard deviation of its
    /// logarithm; 0 where it is known.
    pub pulse_scatter: Option<(f64, f64)>,
    /// Relative standard uncertainty of the scale (tolerance over capacity).
    pub scale_uncertainty: Option<f64>,
    /// Name of the shared effect of that scale.
    pub effect_id: String,
}

impl Instrument {
    /// Name of the shared effect of the reading offset.
    pub fn offset_effect_id(&self) -> String {
        format!("offset:{}", self.effect_id)
    }

    /// Scatter of a single pulse as far as it is stated.
    pub fn stated_pulse_scatter(&self) -> f64 {
        self.pulse_scatter.map_or(0.0, |(value, _)| value)
    }

    /// Looks the instrument of these readings up in the bench file.
    ///
    /// `readings` are those of one sweep; the first one's vessel stands for all.
    /// `apparent_division` is what the readings' own steps suggest.
    pub fn of(
        bench: &Bench,
        readings: &[Reading],
        basis: Basis,
        apparent_division: Option<f64>,
    ) -> Self {
        let name = readings.first().and_then(|r| r.vessel.as_deref());
        let vessel = bench.vessel(name);
        let division_stated = vessel.and_then(|v| v.division);
        let division = division_stated.or(apparent_division);
        let largest = readings
            .iter()
            .map(|r| r.delivered.abs())
            .fold(0.0, f64::max);
        let share = match vessel.map(|v| v.kind) {
            Some(VesselKind::Balance) => 12f64.sqrt().recip(),
            _ => EYE_SHARE,
        };
        // With nothing to go by, a thousandth of the largest reading.
        let guess = division.map_or(1e-3 * largest, |d| share * d);
        let reading_stated = vessel.and_then(|v| v.reading_uncertainty);
        // Amounts that are known by volume, in the basis of the readings.
        let density = match basis {
            Basis::Volume => 1.0,
            Basis::Mass => {
                let stated = bench.fluid.as_ref().and_then(|f| f.density);
                stated.unwrap_or(LIGHT_FUEL_DENSITY)
            }
        };
        let assumed = ASSUMED_OFFSET * density;
        let scatter = bench.scatter.as_ref();
        let stated = scatter.and_then(|s| Some((s.repeatability_percent? / 100.0, s.known)));
        let log_sd = |known| match known {
            HowWell::Roughly => ROUGHLY_LOG_SD,
            HowWell::Exactly => 0.0,
        };
        let repeatability = stated.map_or(REPEATABILITY, |(stated, known)| (stated, log_sd(known)));
        let repeatability_of_few = stated.map_or(REPEATABILITY_OF_FEW, |(stated, _)| stated);
        let offset_stated = vessel.and_then(|v| v.reading_offset_uncertainty);
        let full_scale = vessel.and_then(|v| v.capacity).unwrap_or(largest);
        Self {
            division,
            division_stated: division_stated.is_some(),
            reading_uncertainty: reading_stated.unwrap_or(guess),
            reading_stated: reading_stated.is_some(),
            reading_floor: division.map_or(0.0, |d| d / 12f64.sqrt()),
            offset_mean: 0.0,
            offset_uncertainty: offset_stated.unwrap_or_else(|| {
                let assumed = assumed.min(LARGEST_OFFSET_SHARE * largest);
                assumed.max(division.unwrap_or(0.0) / 2.0)
            }),
            offset_stated: offset_stated.is_some(),
            repeatability,
            repeatability_of_few,
            pulse_scatter: scatter
                .and_then(|s| Some((density * s.pulse_scatter?, log_sd(s.known)))),
            scale_uncertainty: vessel
                .and_then(|v| v.tolerance)
                .filter(|_| full_scale > 0.0)
                .map(|t| t / 3f64.sqrt() / full_scale),
            effect_id: name.map_or_else(|| "vessel".to_owned(), |n| format!("vessel:{n}")),
        }
    }
}
