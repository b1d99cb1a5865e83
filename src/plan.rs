//! Which readings to take for the doubt that is wanted, in the least bench time.
//!
//! In: a bench, a nominal flow, voltages and pressures, and a wish. Out: a [`Plan`]:
//! readings in the order to take them, the doubt they promise, and what the usual
//! run would cost. Doubts come from the fit's own model. It must not know files
//! or streams.

mod after;
mod condition;
mod exchange;
mod frontier;
mod habit;
mod make;
mod order;
mod paper;
mod promise;
mod render;
mod request;
mod result;
mod vessel;

pub use after::{Next, NextReading, Standing, SweepNext, after};
pub use exchange::{exchange, spent};
pub use make::plan;
pub use order::{Placed, in_blocks};
pub use paper::run_of;
pub use render::{after_text, text};
pub use request::{PlanError, Request, Timing, Wish};
pub use result::{
    CAUTIONS, HabitComparison, Plan, PlannedCondition, PlannedReading, Predicted, Trade,
};
