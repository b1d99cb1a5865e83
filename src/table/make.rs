//! The table: axes resolved, one surface a member, rows by shape.

use thiserror::Error;

use super::conditions::Scaling;
use super::request::{Of, QuotedFlow, Request, SurfaceNote, Table};
use super::rows::{Member, rows_of};
use crate::characterisation::{Characterisation, Injector};
use crate::finding::{Finding, Kind};
use crate::fit::SweepFit;
use crate::fluid::FluidError;
use crate::surface::{InjectorSurface, LineMeant, Query, SurfaceError, build};
use crate::units::{Basis, Estimate, FlowUnit, NORMAL_95, Quantity, Unit, parse};

/// Pressure at which flow is usually quoted, kPa (43.5 psi). Common practice, no source.
const QUOTED_PRESSURE: f64 = 300.0;
/// Static and dynamic flow that differ by more than this, percent, are a finding.
const STATIC_LIMIT: f64 = 2.0;
/// Why there is no table.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum TableError {
    /// The surface does not answer.
    #[error(transparent)]
    Surface(#[from] SurfaceError),
    /// No injector of that name.
    #[error("no injector {asked} in the file; there are {known}")]
    NoInjector {
        /// Name asked for.
        asked: String,
        /// Names in the file.
        known: String,
    },
    /// The file holds no injector.
    #[error("the file holds no injector")]
    Empty,
    /// Injectors read by volume and by mass cannot be averaged without a unit.
    #[error("some injectors were read by volume, others by mass")]
    MixedBasis,
    /// The density of the test fluid is needed and not known.
    #[error("the density of the test fluid is needed: {0}")]
    TestFluid(FluidError),
    /// The reference fluid is not known.
    #[error("reference fluid: {0}")]
    ReferenceFluid(FluidError),
    /// The conditions' line ranges have too little in common.
    #[error(
        "the line ranges of the conditions of {injector} have too little in common for one line"
    )]
    NoCommonLine {
        /// Injector.
        injector: String,
    },
    /// Neither widths nor quantities can be chosen.
    #[error("no pulse width lies inside what was measured at {condition}")]
    NoWidth {
        /// Voltage and pressure.
        condition: String,
    },
}

impl TableError {
    /// What the user can do, one line.
    pub fn hint(&self) -> &'static str {
        match self {
            Self::Surface(SurfaceError::Outside { .. } | SurfaceError::Quantity { .. }) => {
                "stay inside what was measured, run more, or add --extrapolate (every such value is then marked)"
            }
            Self::Surface(SurfaceError::OneVoltage { .. }) => {
                "run at least one more voltage; dead time against voltage cannot be guessed"
            }
            Self::Surface(SurfaceError::Choose { .. }) => "state --voltage and --pressure",
            Self::Surface(SurfaceError::NotStated { .. }) => {
                "fit again with --voltage and --pressure, or with these columns in the capture"
            }
            Self::Surface(SurfaceError::NothingFitted { .. }) => {
                "look at the findings of `fit`; a table needs flow and dead time"
            }
            Self::Surface(SurfaceError::MixedBasis { .. }) | Self::MixedBasis => {
                "fit volumes and masses into separate files, or state --units and a fluid density"
            }
            Self::NoInjector { .. } | Self::Empty => {
                "give the characterisation file that `fit -o` wrote"
            }
            Self::TestFluid(_) => {
                "state [fluid] density (and its temperature) in bench.toml and fit again"
            }
            Self::ReferenceFluid(_) => {
                "fluids: n-heptane, water, petrol, petrol@0.735, E10, E85, ethanol, methanol, iso4113"
            }
            Self::NoCommonLine { .. } => {
                "fit again with a --line-range that every condition covers, or leave --common-line out"
            }
            Self::NoWidth { .. } => "state --pulse-width",
        }
    }
}

/// Makes a table from a characterisation alone.
///
/// # Errors
/// [`TableError`].
pub fn make(document: &Characterisation, request: &Request) -> Result<Table, TableError> {
    let chosen = choose(document, request)?;
    let surfaces: Vec<InjectorSurface> = chosen
        .iter()
        .map(|injector| surface_of(injector, request))
        .collect::<Result<_, _>>()?;
    let without =
        |s: &&InjectorSurface| request.line_meant == LineMeant::Common && s.line_range_ms.is_none();
    if let Some(surface) = surfaces.iter().find(without) {
        return Err(TableError::NoCommonLine {
            injector: surface.injector.clone(),
        });
    }
    let basis = surfaces[0].basis;
    if surfaces.iter().any(|s| s.basis != basis) && (request.mean || request.flow_unit.is_none()) {
        return Err(TableError::MixedBasis);
    }
    let scalings: Vec<Scaling> = surfaces
        .iter()
        .map(|s| {
            let target = request.flow_unit.map_or(s.basis, |unit| unit.basis());
            Scaling::new(&document.bench, s.basis, target, request.reference.as_ref())
        })
        .collect::<Result<_, _>>()?;
    let widths = measured_widths(&chosen);
    let members: Vec<Member> = if request.mean {
        vec![Member::new(
            "mean",
            surfaces.iter().collect(),
            &scalings[0],
            &widths,
        )]
    } else {
        surfaces
            .iter()
            .zip(&scalings)
            .map(|(s, scaling)| Member::new(&s.injector, vec![s], scaling, &widths))
            .collect()
    };
    let mut rows = Vec::new();
    for member in &members {
        rows.extend(rows_of(member, request)?);
    }
    let mut findings: Vec<Finding> = surfaces.iter().flat_map(|s| s.findings.clone()).collect();
    findings.extend(chosen.iter().flat_map(|injector| static_findings(injector)));
    let quoted = if request.of == Of::Flow {
        quote(document, &chosen, &surfaces, request)
    } else {
        Vec::new()
    };
    Ok(Table {
        of: request.of,
        rows,
        reading: request.of.reading(),
        pressure: "differential",
        conditions: line_ranges(&chosen, &surfaces, request)
            .into_iter()
            .chain(scalings[0].words.iter().cloned())
            .collect(),
        quoted,
        surfaces: surfaces
            .iter()
            .map(|s| {
                Ok(SurfaceNote {
                    injector: s.injector.clone(),
                    surface: s.stored()?,
                })
            })
            .collect::<Result<_, SurfaceError>>()?,
        findings,
    })
}

/// The surface of one injector as the table tells it.
fn surface_of(injector: &Injector, request: &Request) -> Result<InjectorSurface, SurfaceError> {
    let mut surface = build(&injector.id, &injector.sweeps, request.stage.as_deref())?;
    surface.line_meant = request.line_meant;
    Ok(surface)
}

/// The injectors asked for, in the order of the file.
fn choose<'a>(
    document: &'a Characterisation,
    request: &Request,
) -> Result<Vec<&'a Injector>, TableError> {
    let known = || {
        let ids: Vec<&str> = document.injectors.iter().map(|i| i.id.as_str()).collect();
        ids.join(", ")
    };
    for asked in &request.injectors {
        if !document.injectors.iter().any(|i| i.id == *asked) {
            return Err(TableError::NoInjector {
                asked: asked.clone(),
                known: known(),
            });
        }
    }
    let list: Vec<&Injector> = document
        .injectors
        .iter()
        .filter(|i| request.injectors.is_empty() || request.injectors.contains(&i.id))
        .collect();
    if list.is_empty() {
        return Err(TableError::Empty);
    }
    Ok(list)
}

/// Pulse widths that were run, ms, rising.
fn measured_widths(injectors: &[&Injector]) -> Vec<f64> {
    let mut list: Vec<f64> = injectors
        .iter()
        .flat_map(|i| i.sweeps.iter())
        .flat_map(|s| s.points.iter())
        .filter(|p| p.used && p.pulses > 0.0)
        .map(|p| p.pulse_width_ms)
        .collect();
    list.sort_by(f64::total_cmp);
    list.dedup();
    list
}

/// Static flow over dynamic slope less one, percent.
fn static_difference(sweep: &SweepFit) -> Option<f64> {
    let (still, slope) = (sweep.static_flow.as_ref()?, sweep.slope.as_ref()?);
    Some(100.0 * (still.value / slope.value - 1.0))
}

fn static_findings(injector: &Injector) -> Vec<Finding> {
    injector
        .sweeps
        .iter()
        .filter(|s| !s.findings.iter().any(|f| f.kind == Kind::StaticDiffers))
        .filter_map(|s| Some((s, static_difference(s)?)))
        .filter(|(_, percent)| percent.abs() > STATIC_LIMIT)
        .map(|(s, percent)| {
            Finding::new(
                Kind::StaticDiffers,
                s.place(&injector.id),
                &[("percent", serde_json::json!(percent))],
            )
        })
        .collect()
}

/// Flow at 300 kPa in the usual units; left out where it cannot be had.
fn quote(
    document: &Characterisation,
    injectors: &[&Injector],
    surfaces: &[InjectorSurface],
    request: &Request,
) -> Vec<QuotedFlow> {
    let psi = parse(Quantity::Pressure, "1 psi").expect("psi is a unit of pressure");
    let mut list = Vec::new();
    for (injector, surface) in injectors.iter().zip(surfaces) {
        let running = surface
            .voltages_v()
            .iter()
            .copied()
            .min_by(|a, b| (a - 14.0).abs().total_cmp(&(b - 14.0).abs()));
        let query = Query {
            voltage_v: running,
            pressure_kpa: Some(QUOTED_PRESSURE),
            extrapolate: true,
        };
        // Refused where the capture states no pressure.
        let Ok(slope) = surface.slope(&query) else {
            continue;
        };
        let scaling = |target: Basis| {
            Scaling::new(
                &document.bench,
                surface.basis,
                target,
                request.reference.as_ref(),
            )
            .ok()
        };
        let (volume, mass) = (scaling(Basis::Volume), scaling(Basis::Mass));
        let shown = |scaling: &Option<Scaling>, unit: FlowUnit| {
            let flow = scaling.as_ref()?.apply(slope.clone());
            Some(flow.times(unit.per_inner(), 0.0, "").estimate(unit.unit()))
        };
        let density = mass
            .as_ref()
            .or(volume.as_ref())
            .and_then(|s| s.density.clone());
        let near = injector.sweeps.iter().rfind(|s| {
            s.stage == surface.stage
                && s.static_flow.is_some()
                && s.pressure_kpa
                    .is_none_or(|p| (p - QUOTED_PRESSURE).abs() < 0.5)
        });
        list.push(QuotedFlow {
            injector: injector.id.clone(),
            pressure_kpa: QUOTED_PRESSURE,
            pressure_psi: QUOTED_PRESSURE / psi,
            cc_per_min: shown(&volume, FlowUnit::CcPerMin),
            g_per_s: shown(&mass, FlowUnit::GramPerSecond),
            lb_per_h: shown(&mass, FlowUnit::LbPerHour),
            density: density.map(|d| {
                let u = Some(d.standard_uncertainty);
                Estimate::symmetric(d.value, Unit::GramPerMillilitre, u, None, NORMAL_95)
            }),
            static_difference_percent: near.and_then(static_difference),
            extrapolated: slope.extrapolated,
        });
    }
    list
}

/// Over which pulse widths flow and dead time are meant, as one line.
fn line_ranges(
    injectors: &[&Injector],
    surfaces: &[InjectorSurface],
    request: &Request,
) -> Option<String> {
    let mut ranges: Vec<[f64; 2]> = match request.line_meant {
        LineMeant::Common => surfaces
            .iter()
            .map(|s| s.line_range_ms)
            .collect::<Option<_>>()?,
        LineMeant::OfCondition => injectors
            .iter()
            .zip(surfaces)
            .flat_map(|(i, surface)| i.sweeps.iter().filter(|s| s.stage == surface.stage))
            .filter_map(|s| s.line_range_ms)
            .collect(),
    };
    ranges.sort_by(|a, b| a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1])));
    ranges.dedup();
    let words: Vec<String> = ranges
        .iter()
        .map(|[lo, hi]| format!("{lo} to {hi} ms"))
        .collect();
    (!words.is_empty()).then(|| {
        format!(
            "flow and dead time are those of the line over pulse widths of {}{}",
            words.join(", "),
            match (words.len(), request.line_meant) {
                (1, _) => "",
                (_, LineMeant::OfCondition) =>
                    " (by condition, as the fit says; --common-line states one for all)",
                (_, LineMeant::Common) => " (by injector)",
            }
        )
    })
}
