//! How much does the fluid weigh, and what would the same injector flow of
//! another fluid at another pressure?
//!
//! In: a fluid's name or stated density, temperature, pressure. Out: density with
//! its doubt, factors that carry a flow from one condition to another, mass from
//! a balance. It must not know injectors, sweeps or files.

mod combustion;
mod density;
mod orifice;
mod table;
mod water;
mod weighing;

pub use combustion::{air_density, blend_ratio, stoichiometric_ratio};
pub use density::{
    AMBIENT_KPA, Density, DensityLaw, FluidError, GASOLINE_GROUP, KnownFluid, petrol_density_15,
    volume_correction,
};
pub use orifice::{
    ASSUMED_EXPONENT, ASSUMED_EXPONENT_UNCERTAINTY, CarryStep, Exponent, FlowCarry, FlowCondition,
    carry, jet_velocity, to_basis,
};
pub use table::{KNOWN_NAMES, of_bench, test_fluid};
pub use water::water_density;
pub use weighing::{
    WEIGHTS_DENSITY, buoyancy_factor, moist_air_density, volume_per_indicated_mass,
};
