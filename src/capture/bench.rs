//! The bench as its user states it: vessels, fluid, supply, pressure, driver.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Everything a bench file can state, in inner units. What is not stated is absent.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Bench {
    /// Statements that nobody made, as `vessel.division`: assumed when the file was written.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub assumed: Vec<String>,
    /// Vessels; the one without a name serves readings that name none.
    pub vessels: Vec<Vessel>,
    /// Test fluid.
    pub fluid: Option<Fluid>,
    /// Supply voltage.
    pub supply: Option<Supply>,
    /// Differential pressure.
    pub pressure: Option<SetPoint>,
    /// Injector driver.
    pub driver: Option<Driver>,
    /// What is known of the scatter of injector and rig.
    pub scatter: Option<StatedScatter>,
    /// What the rig can run and how long things take on it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rig: Option<StatedRig>,
    /// Checks of single injectors beside the flow.
    pub injectors: Vec<InjectorCheck>,
    /// The job.
    pub job: Option<Job>,
}

impl Bench {
    /// The vessel a reading was made in: by name, else the only or unnamed one.
    pub fn vessel(&self, name: Option<&str>) -> Option<&Vessel> {
        let by_name = name.and_then(|n| self.vessels.iter().find(|v| v.name.as_deref() == Some(n)));
        by_name
            .or_else(|| self.vessels.iter().find(|v| v.name.is_none()))
            .or_else(|| {
                if self.vessels.len() == 1 {
                    self.vessels.first()
                } else {
                    None
                }
            })
    }
}

/// What kind of instrument reads the delivered quantity.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum VesselKind {
    /// Graduated cylinder, read by eye.
    GraduatedCylinder,
    /// Burette, read by eye.
    Burette,
    /// Balance.
    Balance,
}

/// A vessel or balance. Amounts are mm³ (cylinder, burette) or mg (balance).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Vessel {
    /// Name, as in the capture's `vessel` column.
    pub name: Option<String>,
    /// Kind.
    pub kind: VesselKind,
    /// Capacity.
    pub capacity: Option<f64>,
    /// Smallest division.
    pub division: Option<f64>,
    /// Tolerance: half-width of a rectangle, of the whole scale.
    pub tolerance: Option<f64>,
    /// Class as text, as `A`.
    pub class: Option<String>,
    /// Standard uncertainty of one reading, where stated.
    pub reading_uncertainty: Option<f64>,
    /// Standard uncertainty of the reading offset (wetting, tare, drip).
    pub reading_offset_uncertainty: Option<f64>,
    /// Time to let the level settle and read it, s.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reading_time_s: Option<f64>,
    /// Time to empty and drain it, or to tare, s.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub draining_time_s: Option<f64>,
}

/// The test fluid.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Fluid {
    /// Name.
    pub name: Option<String>,
    /// Density, g/mL, at `density_temperature_c`.
    pub density: Option<f64>,
    /// Temperature to which the density belongs, °C.
    pub density_temperature_c: Option<f64>,
    /// Standard uncertainty of the density, g/mL.
    pub density_uncertainty: Option<f64>,
    /// Relative expansion by volume, 1/K.
    pub expansion_per_k: Option<f64>,
}

/// A nominal set point with its standard uncertainty.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SetPoint {
    /// Nominal value, kPa.
    pub nominal: Option<f64>,
    /// Standard uncertainty, kPa.
    pub uncertainty: Option<f64>,
}

/// Supply voltage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Supply {
    /// Nominal value, V.
    pub nominal: Option<f64>,
    /// Standard uncertainty, V.
    pub uncertainty: Option<f64>,
    /// Where it is measured: `injector` or `supply`.
    pub measured_at: Option<String>,
    /// Resistance of the harness, Ω.
    pub harness_resistance: Option<f64>,
}

/// Injector driver.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Driver {
    /// `saturated` or `peak-and-hold`.
    pub kind: Option<String>,
    /// Peak current, A.
    pub peak_current: Option<f64>,
    /// Hold current, A.
    pub hold_current: Option<f64>,
}

/// What is known beforehand of the scatter of injector and rig.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct StatedScatter {
    /// Repeatability from reading to reading, percent of the reading.
    pub repeatability_percent: Option<f64>,
    /// How well that is known.
    pub known: HowWell,
    /// Scatter of a single pulse, mm³.
    pub pulse_scatter: Option<f64>,
}

/// What the rig can run, and how long things take on it.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct StatedRig {
    /// Shortest period, ms.
    pub shortest_period_ms: Option<f64>,
    /// Longest period, ms.
    pub longest_period_ms: Option<f64>,
    /// Largest share of the time that the coil may be on, rests counted, percent.
    pub coil_on_percent: Option<f64>,
    /// Time to set another voltage, s.
    pub voltage_time_s: Option<f64>,
    /// Time to set another pressure, s.
    pub pressure_time_s: Option<f64>,
}

/// How well a stated scatter is known.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum HowWell {
    /// To about a third: the readings may correct it.
    #[default]
    Roughly,
    /// From many runs of this bench: the readings are not asked.
    Exactly,
}

/// Checks of one injector beside its flow.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct InjectorCheck {
    /// Injector id.
    pub id: String,
    /// Cylinder of the engine.
    pub cylinder: Option<String>,
    /// Coil resistance, Ω.
    pub coil_resistance: Option<f64>,
    /// Insulation resistance, Ω.
    pub insulation: Option<f64>,
    /// Leakage at rest, mm³/min.
    pub leakage: Option<f64>,
    /// Its standard uncertainty, mm³/min.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub leakage_uncertainty: Option<f64>,
    /// Spray observation, as written.
    pub spray: Option<String>,
    /// Note.
    pub note: Option<String>,
}

/// The job.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Job {
    /// Customer's reference.
    pub reference: Option<String>,
    /// Operator.
    pub operator: Option<String>,
    /// Date as written.
    pub date: Option<String>,
}
