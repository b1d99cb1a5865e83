//! The numbers that a controller asks for, on the axes that it has.
//!
//! In: a characterisation and a [`Request`]. Out: a [`Table`] with its rows, the
//! equation by which they are to be read and what was taken for granted; as text
//! and CSV too. It must not know fits, nor anything that is not in the file.

mod axis;
mod conditions;
mod make;
mod render;
mod request;
mod rows;
mod segments;

pub use axis::{AxisError, parse_axis};
pub use make::{TableError, make};
pub use render::{csv, text};
pub use request::{Of, QuotedFlow, Reference, Request, Row, SurfaceNote, Table};
pub use segments::{TwoSegments, fit_two_segments};
