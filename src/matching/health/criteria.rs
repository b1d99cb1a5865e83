//! The limits of the health checks and their defaults.

use serde::{Deserialize, Serialize};

/// A class of coil resistance.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ResistanceClass {
    /// Name.
    pub name: String,
    /// Smallest, Ω.
    pub from_ohm: f64,
    /// Largest, Ω.
    pub to_ohm: f64,
}

/// The limits. Each default is common practice, of no standard, and yields to the
/// maker's data sheet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct HealthCriteria {
    /// One-sided risk of the guard bands, percent. Default 5.
    pub risk_percent: f64,
    /// Flow off the set's median that is worth a remark, percent. Default 2.
    pub flow_remark_percent: f64,
    /// Flow off the set's median beyond which to replace, percent. Default 5.
    pub flow_replace_percent: f64,
    /// Dead time off the set's median that is worth a remark, µs. Default 40.
    pub dead_time_remark_us: f64,
    /// Dead time off the set's median beyond which to replace, µs. Default 100.
    pub dead_time_replace_us: f64,
    /// Repeatability that is worth a remark, percent. Default 1.
    pub repeatability_remark_percent: f64,
    /// Classes of coil resistance. Default 1.5 to 5 Ω (low, for peak-and-hold
    /// drivers) and 10 to 18 Ω (high, for saturated drivers).
    pub resistance_classes: Vec<ResistanceClass>,
    /// Coil resistance off the set's median that is worth a remark, percent. Default 5.
    pub resistance_remark_percent: f64,
    /// Coil resistance off the set's median beyond which to replace, percent. Default 10.
    pub resistance_replace_percent: f64,
    /// Insulation of coil to body below which to replace, Ω. Default 1 MΩ.
    pub insulation_replace_ohm: f64,
    /// Leakage at rest that is worth a remark, mm³/min. Default 10.
    pub leakage_remark_mm3_per_min: f64,
    /// Leakage at rest above which to replace, mm³/min. Default 50: a drop a minute.
    pub leakage_replace_mm3_per_min: f64,
    /// Words of the spray observation that make a remark; none by default: the grades are the user's own.
    pub spray_remark_words: Vec<String>,
    /// Words of the spray observation that mean replace; none by default.
    pub spray_replace_words: Vec<String>,
}

impl Default for HealthCriteria {
    fn default() -> Self {
        let class = |name: &str, from_ohm, to_ohm| ResistanceClass {
            name: name.to_owned(),
            from_ohm,
            to_ohm,
        };
        Self {
            risk_percent: 5.0,
            flow_remark_percent: 2.0,
            flow_replace_percent: 5.0,
            dead_time_remark_us: 40.0,
            dead_time_replace_us: 100.0,
            repeatability_remark_percent: 1.0,
            resistance_classes: vec![class("low", 1.5, 5.0), class("high", 10.0, 18.0)],
            resistance_remark_percent: 5.0,
            resistance_replace_percent: 10.0,
            insulation_replace_ohm: 1e6,
            leakage_remark_mm3_per_min: 10.0,
            leakage_replace_mm3_per_min: 50.0,
            spray_remark_words: Vec::new(),
            spray_replace_words: Vec::new(),
        }
    }
}

/// Why criteria cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum CriteriaError {
    /// Not TOML, or an unknown or misplaced key.
    #[error("{0}")]
    Shape(#[from] toml::de::Error),
    /// A limit that is not a number above zero, or a remark beyond its replacement limit.
    #[error("{key}: expected {expected}")]
    Limit {
        /// Key.
        key: &'static str,
        /// What was expected.
        expected: &'static str,
    },
}

/// Reads criteria; what is not stated keeps its default.
///
/// # Errors
/// [`CriteriaError`], each variant with its condition.
pub fn read_criteria(text: &str) -> Result<HealthCriteria, CriteriaError> {
    let criteria: HealthCriteria = toml::from_str(text)?;
    let c = &criteria;
    let limits = [
        ("flow_remark_percent", c.flow_remark_percent),
        ("flow_replace_percent", c.flow_replace_percent),
        ("dead_time_remark_us", c.dead_time_remark_us),
        ("dead_time_replace_us", c.dead_time_replace_us),
        (
            "repeatability_remark_percent",
            c.repeatability_remark_percent,
        ),
        ("resistance_remark_percent", c.resistance_remark_percent),
        ("resistance_replace_percent", c.resistance_replace_percent),
        ("insulation_replace_ohm", c.insulation_replace_ohm),
        ("leakage_remark_mm3_per_min", c.leakage_remark_mm3_per_min),
        ("leakage_replace_mm3_per_min", c.leakage_replace_mm3_per_min),
    ];
    if let Some((key, _)) = limits.iter().find(|(_, v)| !(v.is_finite() && *v >= 0.0)) {
        return Err(CriteriaError::Limit {
            key,
            expected: "a number, zero or above",
        });
    }
    if !(c.risk_percent > 0.0 && c.risk_percent < 50.0) {
        return Err(CriteriaError::Limit {
            key: "risk_percent",
            expected: "a number between 0 and 50",
        });
    }
    let pairs = [
        (
            "flow_remark_percent",
            c.flow_remark_percent,
            c.flow_replace_percent,
        ),
        (
            "dead_time_remark_us",
            c.dead_time_remark_us,
            c.dead_time_replace_us,
        ),
        (
            "resistance_remark_percent",
            c.resistance_remark_percent,
            c.resistance_replace_percent,
        ),
        (
            "leakage_remark_mm3_per_min",
            c.leakage_remark_mm3_per_min,
            c.leakage_replace_mm3_per_min,
        ),
    ];
    if let Some((key, _, _)) = pairs.iter().find(|(_, remark, replace)| remark > replace) {
        return Err(CriteriaError::Limit {
            key,
            expected: "no more than the limit of replacement",
        });
    }
    Ok(criteria)
}
