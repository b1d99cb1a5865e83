//! A plan as it is shown and written.

use serde::Serialize;

/// One reading to take.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PlannedReading {
    /// Place in the run, from 1; injectors that fire together share it.
    pub order: u32,
    /// Injector.
    pub injector: String,
    /// Supply voltage, V.
    pub voltage_v: f64,
    /// Differential pressure, kPa.
    pub pressure_kpa: f64,
    /// Pulse width, ms.
    pub pulse_width_ms: f64,
    /// Number of pulses.
    pub pulses: f64,
    /// Period, ms.
    pub period_ms: f64,
    /// Number of this reading among those of its width and count, from 1.
    pub repeat: u32,
    /// Block of the order, from 1.
    pub block: u32,
    /// Whether it is the control reading at start, middle or end.
    pub control: bool,
    /// What it should read, mm³ or mg.
    pub expected: f64,
    /// Unit of `expected` in words.
    pub unit: &'static str,
    /// To wait before the next train beyond reading and emptying, s, for the coil.
    pub rest_s: f64,
    /// Vessel, where the bench file names it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub vessel: Option<String>,
}

/// What is promised: half-widths of 95 % intervals, the worst of all conditions.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Predicted {
    /// Of the dead time, µs.
    pub dead_time_half_width_us: f64,
    /// Of the flow (slope), percent.
    pub flow_half_width_percent: f64,
    /// Time at the bench, s, everything counted.
    pub bench_time_s: f64,
}

/// One voltage and pressure of the plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PlannedCondition {
    /// Supply voltage, V.
    pub voltage_v: f64,
    /// Differential pressure, kPa.
    pub pressure_kpa: f64,
    /// Expected dead time, ms.
    pub expected_dead_time_ms: f64,
    /// Pulse widths that the promise is for, ms.
    pub line_range_ms: [f64; 2],
    /// Period, ms.
    pub period_ms: f64,
    /// Readings of one injector.
    pub readings: u32,
    /// Promised half-width of the dead time, µs.
    pub dead_time_half_width_us: f64,
    /// Promised half-width of the flow, percent.
    pub flow_half_width_percent: f64,
    /// Time for one injector, s.
    pub time_s: f64,
}

/// The usual run and what the plan saves against it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HabitComparison {
    /// What the usual run is, in words.
    pub what: String,
    /// Readings of one injector.
    pub readings: u32,
    /// What it would give.
    pub predicted: Predicted,
    /// Time of a planned run whose doubt, as far as it is wanted, is no larger, s;
    /// null where planning finds none.
    pub same_doubt_time_s: Option<f64>,
    /// What a planned run of the same time would give; null where even the shortest takes longer.
    pub same_time: Option<Predicted>,
}

/// Half-width against bench time, for the picture.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Trade {
    /// Which run: `plan` or `habit`.
    pub run: &'static str,
    /// Time, s, half-width of the dead time, µs, half-width of the flow, percent.
    pub points: Vec<[f64; 3]>,
}

/// A plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Plan {
    /// Readings in the order to take them.
    pub readings: Vec<PlannedReading>,
    /// What they promise.
    pub predicted: Predicted,
    /// What the design is c-optimal for.
    pub optimal_for: &'static str,
    /// Each voltage and pressure.
    pub conditions: Vec<PlannedCondition>,
    /// The usual run; null where it gives no interval.
    pub habit: Option<HabitComparison>,
    /// Doubt against time at the condition with the largest doubt.
    pub trade: Vec<Trade>,
    /// Which condition that is, in words.
    pub trade_of: String,
    /// Injectors that fire at once.
    pub together: bool,
    /// Seed of the order.
    pub seed: u64,
    /// What was taken for granted, in words.
    pub assumed: Vec<String>,
    /// Cautions.
    pub cautions: Vec<&'static str>,
}

impl Plan {
    /// Whether all readings name one vessel, or none.
    pub(super) fn vessels_alike(&self) -> bool {
        self.readings
            .windows(2)
            .all(|pair| pair[0].vessel == pair[1].vessel)
    }
}

/// What goes on every sheet. The work is the reader's, and fuel burns.
pub const CAUTIONS: [&str; 4] = [
    "Test fluid with a high flash point, never petrol; ventilation, no ignition source, eye protection, an extinguisher at hand.",
    "Relieve the pressure and disconnect the supply before opening a line; new seals and a leak check before the start.",
    "Stop and let the injector cool when it is too warm to hold; limits of the maker's data sheet and local codes come first.",
    "The first train shows whether the injector flows as expected: where a reading comes near the vessel's capacity, halve the pulses.",
];
