//! From what a balance shows to mass and volume.

/// Density of a balance's calibration weights, g/mL: conventional value (OIML R 111).
pub const WEIGHTS_DENSITY: f64 = 8.0;

/// Density of moist air, g/mL, at `pressure_hpa`, relative humidity `humidity_percent`
/// and `t_c` °C.
///
/// *Method* (E6): (0.34848·p − 0.009·h·e^(0.061·t))/(t + 273.15) in kg/m³.
/// *Source*: OIML R 111-1, simplified CIPM formula (from memory); good to 2e-4
/// relative near ambient.
pub fn moist_air_density(pressure_hpa: f64, humidity_percent: f64, t_c: f64) -> f64 {
    (0.348_48 * pressure_hpa - 0.009 * humidity_percent * (0.061 * t_c).exp())
        / (t_c + 273.15)
        / 1000.0
}

/// True mass over indicated mass for a fluid of `fluid` g/mL in air of `air` g/mL.
///
/// *Method* (E7): (1 − ρ_a/ρ_w)/(1 − ρ_a/ρ), ρ_w the density of the weights.
pub fn buoyancy_factor(fluid: f64, air: f64) -> f64 {
    (1.0 - air / WEIGHTS_DENSITY) / (1.0 - air / fluid)
}

/// Volume per indicated mass, mL/g: the factor Z of ISO 8655-6 for any fluid
/// (E7 divided by the density).
pub fn volume_per_indicated_mass(fluid: f64, air: f64) -> f64 {
    buoyancy_factor(fluid, air) / fluid
}
