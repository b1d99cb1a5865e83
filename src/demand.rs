//! Is the set large enough for the engine, and small enough to idle?
//!
//! In: what is known of the engine, and a set: measured (a characterisation) or
//! nominal. Out: a [`Demand`]: pulses, duty, power, pump, each with its doubt where
//! the inputs have one, and every assumption named with what it would take to know
//! it. It must not know captures, files or fits.

mod compute;
mod inputs;
mod number;
mod pump;
mod render;
mod result;
mod set;
mod supply;

pub use compute::demand;
pub use inputs::{DemandError, NominalFlow, Regulator, Request};
pub use pump::{PumpCurve, PumpError, read_pump_curve};
pub use render::text;
pub use result::{
    CAUTIONS, Demand, FlowFigures, FullCylinderPulse, Idle, Input, NotKnown, Origin, PumpFigures,
    RaisedPressure, Replacement,
};
