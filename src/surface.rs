//! How do flow and dead time move with supply voltage and differential pressure?
//!
//! In: the sweeps of one injector. Out: an [`InjectorSurface`] that tells
//! slope, dead time, delivered quantity and the pulse width for a quantity, each
//! with its doubt, anywhere inside the measured grid. It must not know rows,
//! windows or other injectors, and it never extrapolates without being asked.

mod build;
mod carry;
mod coil;
mod curve;
mod dead_time;
mod delivered;
mod figure;
mod fill;
mod findings;
mod flow;
mod interpolate;
mod line_range;
mod nodes;
mod power;
mod stored;

pub use build::{DeadTimeModel, InjectorSurface, LineMeant, SurfaceError, build};
pub use coil::{CoilModel, NoCoilModel, coil_delay};
pub use figure::Figure;
pub use interpolate::monotone;
pub use nodes::{Query, Reach};
pub use power::PowerLaw;
pub use stored::{Coil, LeftOut, Surface, SurfaceNode};
