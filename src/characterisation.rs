//! The characterisation file: everything a plot, table or report shows.
//!
//! It gathers what the earlier stages made, stamps it with its schema and
//! sources, and writes and reads JSON. It must not compute statistics.

mod changes;
mod document;
mod finite;
mod indent;

pub use changes::{Changes, Figure, ReadingChange, ResultChange, changes};
pub(crate) use document::JsonText;
pub use document::{
    Characterisation, Injector, LARGEST_DOCUMENT, ReadError, SCHEMA_ID, SchemaTag, Tool,
    json_schema, read, to_json, write_line,
};
pub use finite::NotFinite;

// The types of the file, wherever they are made: who shows a file needs no other module.
pub use crate::capture::{
    Bench, Driver, Fluid, InjectorCheck, Job, SetPoint, Source, Supply, Vessel, VesselKind,
};
pub use crate::fit::{
    Asymptote, BudgetRow, Covariance, DeliveryCurve, Effect, Evaluation, LackOfFit,
    LinearityDeviation, Model, OtherFit, Point, Scale, Scatter, SweepFit, Weighting,
};
pub use crate::matching::{
    Deviation, FigureDeviation, FlowAndDeadTime, OperatingPoint, SetMatch, Verdict,
};
pub use crate::surface::{Coil, DeadTimeModel, LeftOut, Surface, SurfaceNode};
