//! Foreign layouts: a mapping file says which cells of somebody else's sheet are which
//! columns of the capture format.
//!
//! The mapping turns the cells into plain rows (`apply`); `header` and `row` then check
//! them as they check any capture, so a fault is worded once and told by the foreign
//! file's own line and cell. `propose` writes a mapping file for a sheet it has looked at.

mod apply;
mod draft;
mod file;
mod groups;
mod labels;
mod marks;
mod meaning;
mod pattern;
mod propose;
mod shape;
mod titles;
mod values;
mod view;

pub(super) use apply::MappedRows;
pub use file::{Mapping, read_mapping};
pub use propose::{Proposal, propose};
pub(super) use view::foreign_grid;
