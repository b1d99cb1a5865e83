//! The air that a fuel needs, and what air weighs.

/// Atomic masses, g/mol: standard atomic weights (IUPAC 2005, from memory).
const CARBON: f64 = 12.0107;
const HYDROGEN: f64 = 1.007_94;
const OXYGEN: f64 = 15.9994;
/// Molar mass of dry air, g/mol, and its share of oxygen by volume (ISO 2533, as
/// commonly rounded).
const AIR: f64 = 28.9647;
const OXYGEN_SHARE: f64 = 0.2095;
/// Molar gas constant, J/(mol·K): exact since 2019.
const GAS_CONSTANT: f64 = 8.314_462_618_153_24;
/// 0 °C in kelvin: exact.
const ICE_POINT: f64 = 273.15;

/// Mass of air that burns a unit mass of fuel CₓHᵧO_z completely.
///
/// *Method* (E8): (c + h/4 − o/2)/x_O₂ · M_air/M_fuel.
/// *Source*: balance of the reaction; constants above.
pub fn stoichiometric_ratio(carbon: f64, hydrogen: f64, oxygen: f64) -> f64 {
    let moles_of_oxygen = carbon + hydrogen / 4.0 - oxygen / 2.0;
    let fuel = carbon * CARBON + hydrogen * HYDROGEN + oxygen * OXYGEN;
    moles_of_oxygen / OXYGEN_SHARE * AIR / fuel
}

/// Stoichiometric ratio of a blend, of which `mass_share` (0 to 1) needs `first`
/// and the rest `second`: masses of air add.
pub fn blend_ratio(mass_share: f64, first: f64, second: f64) -> f64 {
    mass_share * first + (1.0 - mass_share) * second
}

/// Density of dry air, g/L, at absolute `pressure_kpa` and `t_c` °C.
///
/// *Method* (E9): ideal gas, ρ = p·M/(R·T); 0.05 % from real air near ambient.
pub fn air_density(pressure_kpa: f64, t_c: f64) -> f64 {
    pressure_kpa * AIR / (GAS_CONSTANT * (t_c + ICE_POINT))
}
