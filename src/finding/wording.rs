//! The one catalogue of doubts: kind, severity, sentence and advice.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Severity;

/// A row of the catalogue. `{name}` in a sentence is filled with the fact of that name.
pub(super) struct Entry {
    pub severity: Severity,
    pub text: &'static str,
    pub advice: &'static str,
}

/// Makes the enum and its wording from one table, so that a kind cannot lack words.
macro_rules! catalogue {
    ($($(#[doc = $doc:literal])+ $kind:ident, $severity:ident, $text:literal, $advice:literal;)+) => {
        /// The kinds of doubt.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
        #[serde(rename_all = "snake_case")]
        pub enum Kind { $($(#[doc = $doc])+ $kind,)+ }

        impl Kind {
            pub(super) fn entry(self) -> Entry {
                match self {
                    $(Kind::$kind => Entry { severity: Severity::$severity, text: $text, advice: $advice },)+
                }
            }

            /// Every kind, for tests and docs.
            pub const ALL: &'static [Kind] = &[$(Kind::$kind),+];
        }
    };
}

catalogue! {
    // ---- reading the capture
    /// The file was read as Windows-1252.
    Windows1252, Note, "not UTF-8; read as Windows-1252", "save the file as UTF-8 to be safe with special letters";
    /// Comment lines have the shape of readings.
    CommentedReadings, Note, "comment lines that look like readings were not read: {count}", "nothing, if they were meant to be left out; an injector id that begins with # is put in quotes";
    /// A set point of the command line is overruled.
    SetPointOverruled, Doubt, "{asked} {unit} was asked for, but the capture or bench file states {stated} {unit}, which is used", "leave out the option, or correct the file";
    /// Set points further apart than the tolerance are joined by others between them.
    SetPointsMerged, Doubt, "set points from {low} to {high} {unit} run into one another and are taken as {taken_as} {unit}", "state the nominal value in the set point column and the measured one in voltage_actual_v or pressure_actual_kpa";
    /// The bench file does not know a vessel.
    VesselUnknown, Doubt, "vessel {vessel} is not in the bench file; its division and tolerance are unknown", "name it in bench.toml, or use a name that stands there: {known}";
    /// The bench file states a set point that the capture contradicts.
    NominalDiffers, Doubt, "the bench file states {nominal} {unit}, the capture {stated} {unit}, which is used", "correct the bench file or the capture; the uncertainty of the set point is that of the bench file";
    /// The bench file knows injectors that the capture does not.
    InjectorNotInCapture, Note, "the bench file has checks of injectors that are not in the capture: {shown}", "{advice}";
    /// A reading is larger than its vessel.
    ReadingAboveCapacity, Serious, "reading {value} {unit} is above the vessel's capacity of {capacity} {unit} ({readings} such readings)", "look at the reading and its unit, or state the vessel it was made with in bench.toml";
    /// A vessel is stated to be worse than all that was read in it.
    VesselTooDoubtful, Serious, "{what} of the vessel is {stated} {unit}, more than the largest reading made with it, {largest} {unit}", "look at the unit of {what} in bench.toml";
    /// No voltage is stated anywhere.
    VoltageNotStated, Doubt, "no supply voltage is stated", "dead time means little without its voltage: add a voltage_v column, [supply] nominal in bench.toml or --voltage 14V";
    /// No pressure is stated anywhere.
    PressureNotStated, Doubt, "no differential pressure is stated", "flow means little without its pressure: add a pressure_kpa column, [pressure] nominal in bench.toml or --pressure 300kPa";
    /// No period or frequency is stated.
    PeriodNotStated, Note, "no period is stated, so duty cycle is unknown and the longest pulse width is taken as usable", "add a period_ms or frequency_hz column";
    /// No bench file: uncertainties of the vessel are assumed.
    BenchNotStated, Doubt, "the bench file does not state the vessel's division: {division} is taken from the readings' own steps; reading offset uncertainty {offset}", "state the vessel's division and tolerance in bench.toml; it decides most of the doubt";
    /// The bench file marks statements as assumed.
    BenchAssumed, Doubt, "assumed when bench.toml was written, and not stated since: {list}", "measure or look them up, correct bench.toml and take them off its list `assumed`";
    /// What the bench file leaves open, and which of it matters most.
    BenchOpen, Note, "the bench file leaves open {list}; {most}", "`meniscus setup` asks for it and writes bench.toml; or state it there";
    /// A stated reading offset uncertainty is missing.
    OffsetAssumed, Note, "reading offset uncertainty not stated; {offset} assumed", "state reading_offset_uncertainty of the vessel in bench.toml, or vary the fill level threefold so that the readings themselves tell";
    /// A difference below zero within the reading's uncertainty.
    NegativeWithinUncertainty, Note, "the delivered quantity is {value} {unit}, below zero but within the reading's uncertainty", "nothing, if the injector hardly opens at this pulse width";
    /// Duty above the limit.
    DutyHigh, Doubt, "duty cycle {duty} % is above 85 %: the injector may not close between pulses", "use a longer period at this pulse width; the point is left out of the line";
    /// Only one pulse width.
    OnePulseWidth, Serious, "only one pulse width: no line can be drawn", "use `match` to compare injectors at this width; for flow and dead time run at least three widths";
    /// Two pulse widths only.
    FewPulseWidths, Doubt, "only {count} pulse widths: a line fits them whatever the curve does, and nothing tests it", "`match` compares the injectors at these widths without any line; for flow and dead time run at least five widths, two of them short";
    /// A reading so small that one division is much of it.
    DivisionCoarse, Doubt, "one division is {percent} % of the reading", "use more pulses here, so that a division stays below 2 % of the reading";
    /// Fluid temperature moved.
    TemperatureMoved, Doubt, "fluid temperature moves by {range} °C within the sweep", "let the fluid settle; density and viscosity move with it";
    /// Repeats disagree.
    RepeatsDisagree, Doubt, "repeats at {width} ms and {pulses} pulses differ by {difference} {unit}, {times} times what is usual here", "look at the reading again, or exclude it with a reason in the exclude column";
    /// The period changes within a sweep.
    PeriodChanges, Note, "the period changes within the sweep, from {low} to {high} ms", "keep the period fixed within a sweep: coil heating and pressure waves change with it";
    /// A row was left out by the person at the bench.
    RowExcluded, Note, "left out as the capture asks: {reason}", "nothing; the row stays in the record";
    /// The same reading appears twice.
    DuplicateRow, Doubt, "the same row stands twice, first at line {first}", "remove one if the reading was made once";
    /// Readings stand several times, all alike.
    RowsPasted, Doubt, "{rows} readings are the same, to the last digit, as others of their setting ({how})", "remove the copies if rows were pasted twice: as they stand they narrow the intervals; nothing, if each was read on its own";
    /// Pulses differ in a way that cannot tell the offset from the flow.
    SetPointDeviation, Note, "readings were taken up to {deviation} {unit} off the set point; they are carried to it", "nothing, if the gauge is right";

    // ---- the line and the curve
    /// A negative dead time.
    NegativeDeadTime, Doubt, "dead time {value} ms is negative: the line crosses zero delivery before the command starts", "check for a reading offset (wetting, tare, drip), for closing slower than opening, or for a pulse width that is not the command";
    /// The x-intercept is unbounded.
    DeadTimeUnbounded, Serious, "the readings do not bound the dead time: the 95 % set is {set}", "run longer pulses and more widths, so that the slope is known to better than a few percent";
    /// The curve bends within the line range.
    LackOfFit, Doubt, "the curve bends inside the line range: F = {f} ({p} % chance), worst deviation {percent} % at {width} ms", "the straight line is a description here, not a law; --model curve follows the bend, or state a shorter --line-range";
    /// What another sweep of the vessel knows of its offset was used.
    OffsetCarried, Note, "these pulse counts cannot tell the reading offset; {offset} ± {uncertainty} {unit} (standard uncertainty) is taken from other sweeps of the same vessel in this run", "nothing, if the vessel was wetted, read and drained alike";
    /// Sweeps of one vessel disagree about its offset.
    OffsetsDisagree, Doubt, "sweeps of vessel {vessel} disagree about its reading offset (F = {f}, {p} % chance), so it is not carried from one to another", "look for one injector that drips, or a vessel that was drained differently";
    /// The straight line knows no reading offset.
    OffsetNotInLine, Doubt, "the straight line leaves the reading offset out: {offset} {unit} of it would move the dead time by about {us} µs, which is not in the interval", "use --model curve, which carries it";
    /// Reading offset dominates dead time.
    OffsetDominatesDeadTime, Doubt, "{share} % of the dead time's variance comes from the reading offset, which these pulse counts cannot tell from dead time", "run some widths with a quarter of the pulses (fill levels threefold apart), or state reading_offset_uncertainty in bench.toml: knowing it to a third would bring the half-width from {now} to {then} ms";
    /// Reading offset dominates flow.
    OffsetDominatesFlow, Doubt, "{share} % of the slope's variance comes from the reading offset: all readings fill the vessel to one level", "vary the fill level threefold or more between widths, or state reading_offset_uncertainty in bench.toml";
    /// Reading offset dominates the delivered quantity.
    OffsetDominatesDelivered, Note, "{share} % of the variance of the delivered quantity at {width} ms comes from the reading offset", "use more pulses at this width";
    /// A reading was set aside.
    ReadingSetAside, Doubt, "reading {delivered} {unit} is {size} {unit} away from what the others say; set aside. {cause}", "look at the vessel or the count again; --keep-all keeps every reading, --drop {source}:{line} leaves it out by hand";
    /// A reading looks wrong but was kept.
    ReadingSuspect, Doubt, "reading {delivered} {unit} is {size} {unit} away from what the others say; kept. {cause}", "look at the vessel or the count again";
    /// A reading was dropped by option.
    ReadingDropped, Note, "left out by --drop", "nothing; the row stays in the record";
    /// The model was forced down to a line.
    LineInstead, Note, "a straight line was fitted instead of the delivery curve: {why}", "run at least four widths with known counts";
    /// No fit is possible.
    NotFitted, Serious, "no flow and dead time for this sweep: {why}", "{advice}";
    /// Repeats are missing.
    NoRepeats, Note, "no repeats: repeatability comes from the residuals alone", "repeat at least two widths three times; it tells scatter from curvature";
    /// All repeats agree exactly.
    ZeroScatter, Note, "repeats agree to the last division; the doubt rests on the division alone", "nothing, if the readings were made independently";
    /// Line through the static flow.
    SlopeFromStatic, Doubt, "one pulse width and a static flow: the slope is taken from the static flow", "run at least three widths; dynamic and static flow usually differ";
    /// Static and dynamic flow differ.
    StaticDiffers, Doubt, "static flow is {percent} % off the dynamic slope", "above 2 % look for a pressure drop at full flow, or a driver that limits current";
    /// Line range comes out too short.
    LineRangeShort, Doubt, "the line range holds {count} widths", "state --line-range, or run more widths";
    /// Most of what the terminal says about doubt.
    LargestDoubt, Note, "the doubt of the dead time comes mostly from {first} ({first_us} µs) and {second} ({second_us} µs)", "{reduce}";
    /// Slopes at several voltages differ.
    SlopesDiffer, Doubt, "slopes at the voltages of one pressure differ by more than their doubt: F = {f} ({p} % chance)", "flow should not depend on voltage; look for pressure drift, or widths too short for the lower voltages";

    // ---- voltage and pressure
    /// Dead time does not fall with voltage.
    DeadTimeNotFalling, Doubt, "dead time does not fall from {low} to {high} V: it rises by {difference} ms (doubt of that {doubt} ms)", "a higher voltage opens a coil sooner: look for swapped files, a voltage that was not what the capture says, or too few short pulses";
    /// Dead time does not rise with pressure.
    DeadTimeNotRising, Doubt, "dead time does not rise from {low} to {high} kPa: it falls by {difference} ms (doubt of that {doubt} ms)", "within the doubt this is scatter; beyond it look for swapped files, or an injector that pressure helps to open";
    /// The exponent of the orifice law is unusual.
    ExponentUnusual, Doubt, "flow goes with pressure to the power {exponent} (doubt {doubt}), not near 0.5", "look for pressure that sags at full flow, a clogged filter, or a gauge that reads the rail and not the difference";
    /// The line ranges of the conditions have too little in common.
    NoCommonLineRange, Doubt, "the line ranges of the conditions have too little in common, so dead times over different ranges are carried between conditions as if they were one quantity", "fit again with a --line-range that every voltage and pressure covers";
    /// Conditions of the grid were not run.
    ConditionsFilled, Note, "{count} of {all} combinations of voltage and pressure were not run; they are filled from the others with a wider interval", "run them where the figures matter";

    // ---- the set
    /// Injectors are in several of the files that are compared.
    InjectorInSeveralFiles, Doubt, "in several of the files: {shown}; of each the last file counts", "give each injector once, or the files in the order they were measured";
    /// Compared at measured widths, without a line.
    ComparedAsRead, Note, "compared as read at {widths} ms, without any line: this says nothing about flow and dead time, nor about other pulse widths", "for the mixture at these widths nothing; a line needs at least five pulse widths, two of them short, each repeated (`meniscus sheet` writes the sheet)";
    /// Too few injectors for a match.
    OneInjector, Note, "one injector only: nothing to match", "give several injectors in one or more captures";
    /// No operating point is common to two injectors.
    NothingToCompare, Serious, "no set was scored: fewer than two injectors were measured at a common operating point", "state --at within the widths, voltages and pressures that were measured for all";
    /// An option drops a row that is not there.
    DroppedNothing, Serious, "--drop names a row that holds no reading, so nothing was left out for it", "write the file as the table of points does and the line of a reading, as run.csv:14";
    /// The line range holds nothing that was measured.
    LineRangeOutside, Doubt, "the line range of {lo} to {hi} ms reaches beyond the measured widths, {first} to {last} ms: the line there is an extrapolation", "state --line-range within what was measured";
    /// An operating point lies outside what was measured, or the readings there tell nothing.
    OperatingPointOutside, Doubt, "{injector} is not compared at operating point {label}: what it gives there is not known", "choose a point within what was measured of it, or run it; where its readings gave no line, the notes say why";
    /// An injector gives nothing at an operating point.
    GivesNothing, Serious, "{injector} gives nothing, or next to nothing, at operating point {label}: it is not compared there", "look whether it opens: its plug, its driver, its filter; then read it again";
    /// More repeats would decide.
    Undecided, Doubt, "the spread of the {of} lies between {lower} and {upper} {unit}, the tolerance is {tolerance} {unit}: not decided", "about {factor} times as many repeats, or as many times the pulses, would decide, if the spread stays where it is";
    /// More repeats would not decide.
    UndecidedForGood, Doubt, "the spread of the {of} lies between {lower} and {upper} {unit}, the tolerance is {tolerance} {unit}: not decided, and no number of repeats would decide, since vessels or benches that err differently leave {shared} {unit} open", "measure all injectors in the same vessel, or each in every vessel, or calibrate the vessels against each other by weighing";
    /// Read in another basis.
    OtherBasis, Serious, "{injector} was read in {unit}, the others in {usual}: it is left out of the comparison", "fit all captures by volume or all by mass";
    /// Flow and dead time of a set over different ranges.
    FiguresNotCompared, Note, "flow and dead time of the set were not compared: the injectors' line ranges have too little in common", "fit all captures with one --line-range";
    /// Nothing says that two files come from one bench.
    BenchesApart, Note, "nothing says that the files come from one bench, so no error of vessel, gauge or supply cancels between them", "state the bench in bench.toml beside each capture: where vessels, gauge and supply are the same, their errors cancel";
    /// Two files state the same bench.
    BenchesAlike, Note, "the files state the same vessels, gauge and supply: they are taken as one bench, and what these err cancels", "nothing, if it was the same bench; else name the vessels apart";

    // ---- picking from a stock
    /// The best set is not proved best.
    PickNotProved, Doubt, "best found: {best} %; proved: no set is below {bound} %", "a smaller set, or one injector to --require, makes the search shorter";
    /// The best set is not better than the next by more than the noise.
    PickWithinNoise, Note, "the lead over the next best set, {lead} percentage points, is within the noise of the readings", "either set will do: choose by dead time or spray, or measure the two again with more pulses";
}
