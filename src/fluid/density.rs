//! Density against temperature, with its doubt and what was assumed.

use thiserror::Error;

use super::water::water_density;

/// Standard atmosphere, kPa: exact by definition.
pub const AMBIENT_KPA: f64 = 101.325;

/// Densities at 15 °C for which the generalised gasoline correction holds, g/mL.
/// *Source*: ASTM D1250-80 / API MPMS 11.1, gasoline group, from open repositories.
pub const GASOLINE_GROUP: [f64; 2] = [0.653, 0.770];

/// Relative standard uncertainty of the generalised gasoline correction itself, a
/// twentieth of a percent: order of the table's stated precision, from memory.
const VOLUME_CORRECTION_DOUBT: f64 = 5e-4;

/// Expansion of a fluid whose maker states none, 1/K, with its standard
/// uncertainty. Light liquids of the table lie between 1.05e-3 and 1.29e-3,
/// petroleum distillates near 0.83e-3 (from memory).
const ASSUMED_EXPANSION: [f64; 2] = [1.0e-3, 0.15e-3];

/// Relative change of volume on mixing petrol with ethanol that is neglected:
/// below half a percent, from memory; taken as a rectangle.
const MIXING_LIMIT: f64 = 0.005;

/// Why a density cannot be had.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum FluidError {
    /// The name is not in the table.
    #[error("no fluid `{name}` in the table; known: {known}")]
    Unknown {
        /// Name as given.
        name: String,
        /// Names that would be accepted.
        known: String,
        /// The nearest of them.
        near: Option<String>,
    },
    /// The law does not reach this temperature.
    #[error("density of {fluid} is known from {low} to {high} °C, not at {asked} °C")]
    Temperature {
        /// Fluid.
        fluid: String,
        /// Lowest temperature.
        low: f64,
        /// Highest temperature.
        high: f64,
        /// Temperature asked for.
        asked: f64,
    },
    /// No density is stated and the name tells none.
    #[error("the density of the test fluid is not stated")]
    NotStated,
}

/// A density at one temperature.
#[derive(Debug, Clone, PartialEq)]
pub struct Density {
    /// Value, g/mL.
    pub value: f64,
    /// Standard uncertainty, g/mL.
    pub standard_uncertainty: f64,
    /// What had to be assumed, in words.
    pub assumptions: Vec<String>,
}

impl Density {
    /// Relative standard uncertainty.
    pub fn relative(&self) -> f64 {
        self.standard_uncertainty / self.value
    }
}

/// How a density follows temperature.
#[derive(Debug, Clone, PartialEq)]
pub enum DensityLaw {
    /// The cubic through four densities (E2), g/mL, at rising temperatures, °C.
    FourPoints {
        /// Temperatures, °C.
        at_c: [f64; 4],
        /// Densities, g/mL.
        density: [f64; 4],
    },
    /// Air-free water (E1).
    Water,
    /// Petrol by its density at 15 °C (E3), g/mL.
    Petrol {
        /// Density at 15 °C, g/mL.
        density_15: f64,
    },
    /// Petrol with ethanol, ideal volumes (E4).
    Blend {
        /// Density of the petrol at 15 °C, g/mL.
        petrol_15: f64,
        /// Share of ethanol by volume, 0 to 1.
        ethanol_share: f64,
    },
    /// A density that somebody stated (E5), g/mL.
    Stated {
        /// Density, g/mL.
        density: f64,
        /// Temperature it belongs to, °C, where stated.
        at_c: Option<f64>,
        /// Relative expansion by volume, 1/K, where stated.
        expansion_per_k: Option<f64>,
    },
}

/// A fluid with density law, source and, for fuels, the air it needs.
#[derive(Debug, Clone, PartialEq)]
pub struct KnownFluid {
    /// Name as shown.
    pub name: String,
    /// Density against temperature.
    pub law: DensityLaw,
    /// Standard uncertainty of the density at the temperature it is stated for, g/mL.
    pub density_uncertainty: f64,
    /// Where the density comes from.
    pub source: String,
    /// What had to be assumed to have a density at all, in words.
    pub assumptions: Vec<String>,
    /// Mass of air for a unit mass of fuel, for fuels.
    pub stoichiometric_ratio: Option<f64>,
}

/// Ethanol by CoolProp 8.0.0 at four temperatures, g/mL; shared with the table.
pub(super) const ETHANOL: DensityLaw = DensityLaw::FourPoints {
    at_c: [5.0, 15.0, 30.0, 40.0],
    density: [0.802_181, 0.793_689, 0.780_819, 0.772_091],
};

impl KnownFluid {
    /// Density at `t_c` °C.
    ///
    /// # Errors
    /// [`FluidError::Temperature`] outside the law's range.
    pub fn density(&self, t_c: f64) -> Result<Density, FluidError> {
        let (low, high) = self.law.range_c();
        if !(low..=high).contains(&t_c) {
            return Err(FluidError::Temperature {
                fluid: self.name.clone(),
                low,
                high,
                asked: t_c,
            });
        }
        let mut assumptions = self.assumptions.clone();
        let (value, law_relative) = self.law.at(t_c, &mut assumptions);
        let stated = self.density_uncertainty;
        Ok(Density {
            value,
            standard_uncertainty: stated.hypot(law_relative * value),
            assumptions,
        })
    }
}

impl DensityLaw {
    fn range_c(&self) -> (f64, f64) {
        match self {
            Self::FourPoints { at_c, .. } => (at_c[0], at_c[3]),
            Self::Water => (0.0, 40.0),
            Self::Blend { .. } => (5.0, 40.0),
            Self::Petrol { .. } => (-20.0, 60.0),
            Self::Stated { .. } => (-40.0, 120.0),
        }
    }

    /// Density and the relative uncertainty that the law adds.
    fn at(&self, t_c: f64, assumptions: &mut Vec<String>) -> (f64, f64) {
        match self {
            Self::FourPoints { at_c, density } => (cubic_through(at_c, density, t_c), 0.0),
            Self::Water => (water_density(t_c), 0.0),
            Self::Petrol { density_15 } => {
                let [low, high] = GASOLINE_GROUP;
                if !(low..=high).contains(density_15) {
                    assumptions.push(format!(
                        "density {density_15} g/mL at 15 °C lies outside the gasoline group ({low} to {high}); its expansion is used all the same"
                    ));
                }
                (
                    density_15 * volume_correction(*density_15, t_c),
                    VOLUME_CORRECTION_DOUBT,
                )
            }
            Self::Blend {
                petrol_15,
                ethanol_share,
            } => {
                let petrol = Self::Petrol {
                    density_15: *petrol_15,
                };
                let (petrol, doubt) = petrol.at(t_c, assumptions);
                let (ethanol, _) = ETHANOL.at(t_c, assumptions);
                assumptions.push("volumes of petrol and ethanol taken to add up".to_owned());
                let mixing = MIXING_LIMIT / 3f64.sqrt();
                (
                    ethanol_share * ethanol + (1.0 - ethanol_share) * petrol,
                    doubt.hypot(mixing),
                )
            }
            Self::Stated {
                density,
                at_c,
                expansion_per_k,
            } => {
                let Some(at) = at_c else {
                    assumptions.push(
                        "the temperature of the stated density is not stated; the density is used as it stands".to_owned(),
                    );
                    return (*density, 0.0);
                };
                let step = t_c - at;
                let (expansion, doubt) = match expansion_per_k {
                    Some(beta) => (*beta, 0.0),
                    None => (ASSUMED_EXPANSION[0], ASSUMED_EXPANSION[1]),
                };
                if expansion_per_k.is_none() && step != 0.0 {
                    assumptions.push(format!(
                        "expansion of the fluid not stated; {expansion} per K assumed"
                    ));
                }
                (density / (1.0 + expansion * step), (doubt * step).abs())
            }
        }
    }
}

/// The cubic through four points at `x` (Lagrange's form).
fn cubic_through(xs: &[f64; 4], ys: &[f64; 4], x: f64) -> f64 {
    (0..4)
        .map(|i| {
            let weight: f64 = (0..4)
                .filter(|j| *j != i)
                .map(|j| (x - xs[j]) / (xs[i] - xs[j]))
                .product();
            weight * ys[i]
        })
        .sum()
}

/// Volume correction factor of petrol: volume at 15 °C over volume at `t_c` °C.
///
/// `density_15` in g/mL.
/// *Method* (E3): α = K0/ρ15² + K1/ρ15 with ρ15 in kg/m³, K0 = 346.4228,
/// K1 = 0.4388 (the °C constants; 192.4571 and 0.2438 belong to °F);
/// VCF = exp[−α·Δt·(1 + 0.8·α·Δt)], Δt = t − 15 °C.
/// *Source*: ASTM D1250-80 / API MPMS 11.1, generalised gasolines; constants as
/// several open repositories give them. The official procedure rounds between
/// steps; this does not.
pub fn volume_correction(density_15: f64, t_c: f64) -> f64 {
    let rho = 1000.0 * density_15;
    let alpha_step = (346.4228 / (rho * rho) + 0.4388 / rho) * (t_c - 15.0);
    (-alpha_step * (1.0 + 0.8 * alpha_step)).exp()
}

/// The density at 15 °C of a petrol that has `density` g/mL at `t_c` °C (E3
/// solved by repeating ρ15 = ρ/VCF(ρ15), which gains two digits a step).
pub fn petrol_density_15(density: f64, t_c: f64) -> f64 {
    (0..30).fold(density, |rho15, _| density / volume_correction(rho15, t_c))
}
