//! How do flow and dead time move with supply voltage and differential pressure?
//!
//! In: one injector of a characterisation. Out: an [`InjectorSurface`] that tells
//! slope, dead time, delivered quantity and the pulse width for a quantity, each
//! with its doubt, anywhere inside the measured grid. It must not know rows,
//! windows or other injectors, and it never extrapolates without being asked.

mod build;
mod coil;
mod curve;
mod delivered;
mod figure;
mod findings;
mod interpolate;
mod nodes;
mod power;

pub use build::{DeadTimeModel, InjectorSurface, SurfaceError, build};
pub use coil::{CoilModel, NoCoilModel, coil_delay};
pub use figure::Figure;
pub use interpolate::monotone;
pub use nodes::{Query, Reach};
pub use power::PowerLaw;
