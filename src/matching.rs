//! Is the set alike? Deviations of several injectors at common operating points.
//!
//! In: fitted sweeps of several injectors. Out: a [`SetMatch`]. It must not
//! know how a model was fitted, nor how a verdict is worded.

mod compare;
mod figures;
mod group;
mod health;
mod pick;
mod placement;
mod points;
mod range;
mod result;
mod risk;
mod score;
mod sets;
mod stock;

pub use compare::{
    Change, ChangeVerdict, CompareLimits, Comparison, InjectorChange, Side, SpreadChange, compare,
};
pub use health::{
    CriteriaError, HealthCriteria, HealthInput, InjectorHealth, ResistanceClass, Serviceability,
    health, read_criteria,
};
pub use pick::{
    Lead, NODE_LIMIT, Near, NearFigure, Pick, PickError, PickRequest, PickedSet, RUNNERS_UP, pick,
};
pub use placement::{
    Cylinder, Placeable, PlaceableLine, Placed, Placement, PlacementError, assign,
    half_spread_percent, place,
};
pub use points::{WantedPoint, at_condition, compared_as_read, members_at, operating_points};
pub use range::{range_probability, range_quantile};
pub use result::{Deviation, FigureDeviation, FlowAndDeadTime, OperatingPoint, SetMatch, Verdict};
pub use risk::{GlobalRisk, ToleranceLimits, conformance_probability, global_risk, guard_factor};
pub use score::{Criterion, Member, score};
pub use sets::{ManySets, SetsBound, SetsEffort, SetsRequest, StockSet, pick_sets};
pub use stock::{
    Candidate, LeftOut, Stock, StockAmount, StockError, StockItem, qualify_effects,
    stock_from_fits, stock_from_table,
};
