//! Bench captures: from bytes to checked readings, grouped into sweeps.
//!
//! In: the bytes of capture files (long or wide), a [`Bench`] and set points
//! from the command line. Out: a [`Capture`]: sources, sweeps, findings; or every
//! fault of every file at once. It must not know lines, models or which
//! points are "good" beyond physical sense, nor file systems: it reads from
//! any reader.

mod bench;
mod reading;

pub use bench::{Bench, Driver, Fluid, InjectorCheck, Job, SetPoint, Supply, Vessel, VesselKind};
pub use reading::{Capture, Reading, Source, Sweep};
