//! The one integration binary.

// A test that cannot read its file has failed; the allowance for tests in
// clippy.toml does not reach functions they call.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

/// The page for newcomers, command by command.
mod at_the_bench;
/// Figures that no published case witnesses.
mod by_hand;
/// The same for the whole delivery curve.
mod by_hand_curve;
/// The same for what is told about readings and benches.
mod by_hand_doubts;
/// The same for the fits of sweeps.
mod by_hand_fit;
/// The same for what fits are made of.
mod by_hand_kernels;
/// The same for sets of injectors.
mod by_hand_match;
/// The same for many sets and where a set is compared.
mod by_hand_sets;
/// Captures in any order and of any bytes.
mod capture_properties;
/// The program as its user meets it.
mod cli;
/// Binary workbooks that mean harm.
mod compound;
/// The schema, the round trip and what is refused.
mod contract;
/// Every broken and every odd capture, with the complaints.
mod corpus;
/// Intervals of the whole curve hold the truth as often as they say.
mod coverage;
/// The whole curve where readings are few, odd or extreme.
mod curve_edges;
/// The whole curve at fixed scales against scikit-learn.
mod curve_posterior;
/// What the engine asks of the set.
mod demand;
/// What a program and a person are told when something cannot be done.
mod endings;
/// `table` and `demand` as their user meets them.
mod engine_cli;
/// A small document made by hand.
mod fixture;
/// Fluids, orifice, weighing and combustion against published figures.
mod fluid;
/// What fuzzing found.
mod fuzzed;
/// Ids that try to be more than text, in every output.
mod hostile;
/// The HTML report: well-formed, self-contained, in order.
mod html;
/// Interrupted at any moment.
#[cfg(unix)]
mod interrupt;
/// Arrows between modules, and no printing outside the command line.
mod layers;
/// Foreign layouts and their mapping files.
mod layouts;
/// What is too long, too wide, too deep or without end.
mod limits;
mod lines;
/// Killed, without room, two at once.
#[cfg(target_os = "linux")]
mod losses;
/// What must not change the whole fit, or must change it in a known way.
mod metamorphic;
/// Real weighings with published lines.
mod open_data;
/// Picking from a stock, against every set and against other solvers.
mod pick;
/// Pictures are well-formed, named and escaped.
mod pictures;
/// Plans, their promises and what to read next.
mod plan;
mod plan_cli;
/// Rescaling, shifting and reordering the data; seeded.
mod properties;
/// Every file of tests/published: what standards, books and papers print.
mod published;
/// The README's commands and the files that the documents name.
mod readme;
/// The demo runs of bench-runs.
mod runs;
/// The fits held against a second implementation.
mod second_opinion;
/// Flow and dead time of sets, benches kept apart, one line range for all conditions.
mod set_figures;
/// Placement, risks, verdicts, before and after, health.
mod sets;
/// Blank sheets, filled in and read back.
mod sheet;
/// Bench in five questions, quick check, correction.
mod shop;
/// A made-up injector with a known law.
mod simulated;
/// Scatter and temperature as the bench file states them.
mod stated;
/// The surface over voltage and pressure against laws that are known.
mod surface;
/// Each shape of table, read back by its equation.
mod table;
/// Tables on the terminal.
mod terminal;
/// Workbooks written by other programs, and hostile ones.
mod workbooks;
