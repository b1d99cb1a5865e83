//! What is asked of a plan, and why it may be refused.

use thiserror::Error;

use crate::capture::{Bench, VesselKind};
use crate::demand::NominalFlow;

/// How long things take at the bench, and what it can run. All are the user's to state; the
/// defaults are guesses of common practice, without a source, and are told as such.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Timing {
    /// Letting the level settle and reading it, s.
    pub read_s: f64,
    /// Emptying the vessel and letting it drain (or taring), s.
    pub empty_s: f64,
    /// Setting another voltage and letting it settle, s.
    pub voltage_s: f64,
    /// Setting another pressure and letting it settle, s.
    pub pressure_s: f64,
    /// Shortest period that the bench can run, ms.
    pub shortest_period_ms: f64,
    /// Longest period, ms.
    pub longest_period_ms: f64,
    /// Largest share of the time from one reading to the next that the coil may be
    /// on, 0 to 1: what is missing is waited.
    pub coil_share: f64,
}

impl Timing {
    /// As the bench file states it for a vessel; guesses for the kind of vessel where it does not.
    pub fn of(bench: &Bench, vessel: Option<&str>) -> Self {
        let rig = bench.rig.clone().unwrap_or_default();
        let vessel = bench.vessel(vessel).or(bench.vessels.first());
        let (read_s, empty_s) = match vessel.map_or(VesselKind::GraduatedCylinder, |v| v.kind) {
            VesselKind::GraduatedCylinder => (20.0, 40.0),
            VesselKind::Burette => (30.0, 45.0),
            VesselKind::Balance => (15.0, 15.0),
        };
        Self {
            read_s: vessel.and_then(|v| v.reading_time_s).unwrap_or(read_s),
            empty_s: vessel.and_then(|v| v.draining_time_s).unwrap_or(empty_s),
            voltage_s: rig.voltage_time_s.unwrap_or(30.0),
            pressure_s: rig.pressure_time_s.unwrap_or(120.0),
            shortest_period_ms: rig.shortest_period_ms.unwrap_or(5.0),
            longest_period_ms: rig.longest_period_ms.unwrap_or(100.0),
            coil_share: rig.coil_on_percent.map_or(0.5, |p| p / 100.0),
        }
    }

    /// Time from one reading to the next, s: the train, reading and emptying, and
    /// the rest that the coil still needs.
    pub fn reading_s(&self, pulses: f64, pulse_width_ms: f64, period_ms: f64) -> f64 {
        let busy = pulses * period_ms / 1000.0 + self.read_s + self.empty_s;
        busy.max(pulses * pulse_width_ms / 1000.0 / self.coil_share)
    }

    /// The rest in it, s: what must be waited beyond train, reading and emptying.
    pub fn rest_s(&self, pulses: f64, pulse_width_ms: f64, period_ms: f64) -> f64 {
        self.reading_s(pulses, pulse_width_ms, period_ms)
            - (pulses * period_ms / 1000.0 + self.read_s + self.empty_s)
    }
}

/// What the plan is for. Half-widths are those of 95 % intervals.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Wish {
    /// Wanted half-width of the dead time, µs.
    pub dead_time_us: Option<f64>,
    /// Wanted half-width of the flow (slope), percent.
    pub flow_percent: Option<f64>,
    /// Time at the bench, s.
    pub time_s: Option<f64>,
}

/// What is asked.
#[derive(Debug, Clone, PartialEq)]
pub struct Request {
    /// The bench; its vessel gives capacity, division and doubts.
    pub bench: Bench,
    /// Which vessel, where there are several.
    pub vessel: Option<String>,
    /// Nominal flow of one injector.
    pub flow: NominalFlow,
    /// Differential pressure it belongs to, kPa; the first of `pressures_kpa` where not stated.
    pub flow_pressure_kpa: Option<f64>,
    /// Expected dead time at 14 V, or at the only voltage, ms.
    pub dead_time_ms: Option<f64>,
    /// Supply voltages, V.
    pub voltages_v: Vec<f64>,
    /// Differential pressures, kPa.
    pub pressures_kpa: Vec<f64>,
    /// Line range, ms, where stated.
    pub line_range_ms: Option<[f64; 2]>,
    /// Injectors, by id; each is read at every condition.
    pub injectors: Vec<String>,
    /// Whether all injectors fire at once, each into a vessel of its own.
    pub together: bool,
    /// Repeatability from reading to reading, percent, where known.
    pub repeatability_percent: Option<f64>,
    /// What it is for.
    pub wish: Wish,
    /// How long things take; guessed for the vessel where absent.
    pub timing: Timing,
    /// Seed of the order.
    pub seed: u64,
}

impl Request {
    /// One injector at one voltage (V) and pressure (kPa), on the bench as it is stated.
    pub fn new(
        bench: Bench,
        flow: NominalFlow,
        (voltage_v, pressure_kpa): (f64, f64),
        wish: Wish,
    ) -> Self {
        Self {
            timing: Timing::of(&bench, None),
            bench,
            vessel: None,
            flow,
            flow_pressure_kpa: None,
            dead_time_ms: None,
            voltages_v: vec![voltage_v],
            pressures_kpa: vec![pressure_kpa],
            line_range_ms: None,
            injectors: vec!["1".to_owned()],
            together: false,
            repeatability_percent: None,
            wish,
            seed: 1,
        }
    }
}

/// Why there is no plan.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum PlanError {
    /// Neither a doubt nor a time is wanted.
    #[error("neither a wanted doubt nor a time is stated")]
    NothingWanted,
    /// Something is not what it must be.
    #[error("{what} must be {expected}")]
    OutOfBounds {
        /// What.
        what: &'static str,
        /// What it must be.
        expected: &'static str,
    },
    /// No reading of this flow tells anything.
    #[error(
        "no run tells flow and dead time at {voltage_v} V and {pressure_kpa} kPa: so little flows that the readings are lost in the vessel's doubt"
    )]
    TooLittleFlow {
        /// Volt.
        voltage_v: f64,
        /// Kilopascal.
        pressure_kpa: f64,
    },
    /// A flow by volume and a balance, or the reverse, without a density.
    #[error("the flow is stated by {stated} and the vessel reads {reads}, but no density is known")]
    NoDensity {
        /// Volume or mass.
        stated: &'static str,
        /// Mass or volume.
        reads: &'static str,
    },
    /// The bench file has several vessels and none is chosen.
    #[error("the bench file has several vessels")]
    WhichVessel,
    /// The vessel that was asked for is not in the bench file.
    #[error("the bench file has no vessel `{name}`")]
    NoVessel {
        /// As asked.
        name: String,
    },
    /// The assumed coil does not open at this voltage.
    #[error("the assumed dead time has no value at {voltage_v} V")]
    DoesNotOpen {
        /// Volt.
        voltage_v: f64,
    },
    /// The line range leaves no room.
    #[error("no pulse widths between dead time ({dead_time_ms} ms) and {longest_ms} ms: {why}")]
    NoRange {
        /// Expected dead time.
        dead_time_ms: f64,
        /// Longest width.
        longest_ms: f64,
        /// What is in the way.
        why: &'static str,
    },
    /// The vessel is too small for this flow.
    #[error("{pulses} pulses of {pulse_width_ms} ms do not fit into the vessel")]
    VesselTooSmall {
        /// Fewest pulses of a reading.
        pulses: f64,
        /// Width.
        pulse_width_ms: f64,
    },
    /// The time is too short for any run.
    #[error(
        "the shortest run that separates flow, dead time and reading offset takes {least_s:.0} s, and {time_s:.0} s are allowed"
    )]
    TimeTooShort {
        /// Least time, s.
        least_s: f64,
        /// As wished, s.
        time_s: f64,
    },
    /// The wish cannot be had.
    #[error("{what} cannot be had: the best, in {time_h:.1} h, is {best}{because}")]
    OutOfReach {
        /// What was wanted, in words.
        what: String,
        /// Bench time of the best, hours.
        time_h: f64,
        /// The best, in words.
        best: String,
        /// What stands in the way, in words.
        because: String,
        /// What would help.
        hint: String,
    },
    /// The curve model refuses the numbers.
    #[error("the numbers of this plan are too extreme: {0}")]
    Numbers(#[from] crate::fit::curve::CurveError),
    /// The capture holds nothing to go on from.
    #[error("{0}")]
    Capture(String),
}

impl PlanError {
    /// What to do about it.
    pub fn hint(&self) -> String {
        match self {
            Self::NothingWanted => "state --dead-time-within 15us, --flow-within 0.5% or --time 30min".into(),
            Self::OutOfBounds { .. } => "check options and bench file".into(),
            Self::TooLittleFlow { .. } => "check --flow and its unit; a balance or a burette reads less than a cylinder does".into(),
            Self::NoDensity { .. } => "state the density in the bench file, [fluid] density = \"0.69 g/mL\", or the flow in the vessel's kind".into(),
            Self::WhichVessel | Self::NoVessel { .. } => "choose one by its name with --vessel NAME".into(),
            Self::DoesNotOpen { .. } => "state --dead-time for that voltage and plan it alone".into(),
            Self::NoRange { .. } => "state --dead-time, --line-range or a longer --longest-period".into(),
            Self::VesselTooSmall { .. } => "use a larger vessel, or state a shorter --line-range".into(),
            Self::TimeTooShort { .. } => "allow more time, fewer voltages or pressures, or a shorter --shortest-period".into(),
            Self::OutOfReach { hint, .. } => hint.clone(),
            Self::Numbers(_) => "check flow, dead time and bench file".into(),
            Self::Capture(_) => "fit the capture first: `meniscus fit` says what is wrong with it".into(),
        }
    }
}
