//! Bench captures: from bytes to checked readings, grouped into sweeps.
//!
//! In: the bytes of capture files (long, wide, or with a [`Mapping`] in anybody's layout), a [`Bench`] and set points
//! from the command line. Out: a [`Capture`]: sources, sweeps, findings; or every
//! fault of every file at once. It must not know lines, models or which
//! points are "good" beyond physical sense, nor file systems: it reads from
//! any reader.

mod bench;
mod bench_doubts;
mod bench_file;
mod bench_rig;
mod bench_text;
mod compound;
mod container;
mod dialect;
mod division;
mod doubts;
mod fault;
mod grid;
mod guard;
mod header;
mod map;
mod names;
mod number;
mod plain;
mod read;
mod reading;
mod repeats;
mod row;
mod sheet;
mod stock_file;
mod stream;
mod sweeps;
mod vessels;
mod workbook;

pub use bench::{
    Bench, Driver, Fluid, HowWell, InjectorCheck, Job, SetPoint, StatedRig, StatedScatter, Supply,
    Vessel, VesselKind,
};
pub use bench_file::{LARGEST_BENCH, read_bench};
pub use dialect::LONGEST_LINE;
pub use division::apparent_division;
pub use fault::{Fault, fault_lines};
pub use guard::{guarded, unguarded};
pub use map::{Mapping, Proposal, propose, read_mapping};
pub use plain::{Setting, StreamRow};
pub use read::{
    CaptureFile, CheckReport, Checked, FileCount, SetPoints, check_captures, read_captures,
};
pub use reading::{Capture, DUTY_LIMIT, MappingUsed, Reading, Source, Sweep};
pub use stock_file::{StockFile, StockRow, looks_like_capture, read_stock_file};
pub use stream::{CaptureStream, InjectorRows, WholeRow, comes_again, overlong_line};
pub use sweeps::{MOST_INJECTORS, SAME_PRESSURE_KPA, SAME_VOLTAGE_V, join_conditions};
