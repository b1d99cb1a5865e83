//! An invented set of four injectors at three voltages: no bench, no maker.
//!
//! Figures are laid out by hand-made formulas, not fitted; they have the shape
//! of a fitted file so that pictures and tables can be looked at.

use std::collections::BTreeMap;

use meniscus::capture::{Bench, Fluid, InjectorCheck, Job, Source, Vessel, VesselKind};
use meniscus::characterisation::{Characterisation, Injector, SchemaTag, Tool};
use meniscus::finding::{Finding, Kind, Place};
use meniscus::fit::Effect;
use meniscus::fit::{
    Asymptote, BudgetRow, Covariance, Evaluation, LinearityDeviation, Model, Point, Scale, Scatter,
    SweepFit, Weighting,
};
use meniscus::matching::{Deviation, OperatingPoint, SetMatch, Verdict};
use meniscus::units::{Basis, Estimate, Unit};
use serde_json::json;

const WIDTHS: [f64; 8] = [1.2, 1.6, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0];
const COVERAGE: f64 = 2.13;
const IDS: [(&str, f64, f64); 4] = [
    ("A1", 3.41, 0.742),
    ("A2", 3.46, 0.761),
    ("B7", 3.38, 0.735),
    ("B9", 3.43, 0.790),
];

/// Scatter that is the same on every machine.
fn wobble(seed: f64) -> f64 {
    ((seed * 12.9898).sin() * 43_758.545).fract()
}

fn sweep(id: &str, seed: f64, slope: f64, dead_time: f64, volts: f64) -> SweepFit {
    let (u_s, u_x) = (0.0085, 0.0125);
    let deviation = |w: f64| -9.0 * (-(w - dead_time) / 0.45).exp() + 0.25 * (w - 6.0) / 4.0;
    let points: Vec<Point> = WIDTHS
        .iter()
        .enumerate()
        .map(|(i, &w)| {
            let ideal = slope * (w - dead_time);
            let noise = 0.55 * wobble(seed + i as f64);
            let open = w > dead_time + 0.05;
            let aside = id == "B7" && volts == 12.0 && w == 4.0;
            let percent = deviation(w) + noise + if aside { 4.0 } else { 0.0 };
            let delivered = if open {
                ideal * (1.0 + percent / 100.0)
            } else {
                0.02
            };
            Point {
                open_time_s: None,
                source: "demo.csv".into(),
                line: 2 + i as u64 + (seed as u64) * 8,
                pulse_width_ms: w,
                pulses: 1000.0,
                delivered,
                fitted: Some(ideal),
                standard_uncertainty: Some(0.05),
                deviation_percent: open.then_some(percent),
                used: !aside,
                reason: aside.then(|| "set aside".into()),
            }
        })
        .collect();
    let mut findings = vec![Finding::new(
        Kind::OffsetDominatesDeadTime,
        Place::default(),
        &[
            ("share", json!(71.0)),
            ("now", json!(0.027)),
            ("then", json!(0.0147)),
        ],
    )];
    if points.iter().any(|p| !p.used) {
        findings.push(Finding::new(
            Kind::ReadingSetAside,
            Place::row("demo.csv", 62),
            &[
                ("delivered", json!(11.24)),
                ("unit", json!("ml")),
                ("size", json!(0.42)),
                ("cause", json!("an eye slip of one numbered mark is likely")),
                ("source", json!("demo.csv")),
                ("line", json!(62)),
            ],
        ));
    }
    let mut fit = SweepFit {
        source: "demo.csv".into(),
        voltage_v: Some(volts),
        pressure_kpa: Some(300.0),
        stage: None,
        basis: Basis::Volume,
        model: Model::Curve,
        weighting: Weighting::Uncertainty,
        scale: Scale::Both,
        slope: Some(Estimate::symmetric(
            slope,
            Unit::CubicMillimetrePerMillisecond,
            Some(u_s),
            Some(14.0),
            COVERAGE,
        )),
        dead_time: Some(Estimate::symmetric(
            dead_time,
            Unit::Millisecond,
            Some(u_x),
            Some(14.0),
            COVERAGE,
        )),
        flow_offset: Some(Estimate::symmetric(
            -slope * dead_time,
            Unit::CubicMillimetre,
            Some(0.041),
            Some(14.0),
            COVERAGE,
        )),
        reading_offset: None,
        covariance: Some(Covariance::of_line([
            [u_s * u_s, -0.6 * u_s * 0.041],
            [-0.6 * u_s * 0.041, 0.041 * 0.041],
        ])),
        line_range_ms: Some([2.0, 10.0]),
        linear_flow_range_ms: Some([if volts < 11.0 { 2.0 } else { 1.6 }, 10.0]),
        linearity_limit_percent: 5.0,
        asymptote: Some(Asymptote {
            slope: Estimate::symmetric(
                slope * 1.002,
                Unit::CubicMillimetrePerMillisecond,
                Some(0.02),
                Some(14.0),
                COVERAGE,
            ),
            dead_time: Estimate::symmetric(
                dead_time * 1.01,
                Unit::Millisecond,
                Some(0.03),
                Some(14.0),
                COVERAGE,
            ),
        }),
        linearity_deviation: WIDTHS
            .iter()
            .map(|&w| {
                let open = w > dead_time + 0.05;
                let half = 0.45 + 0.6 / (w - dead_time).max(0.1);
                LinearityDeviation {
                    pulse_width_ms: w,
                    percent: open.then(|| deviation(w)),
                    interval_95: if open {
                        [Some(deviation(w) - half), Some(deviation(w) + half)]
                    } else {
                        [None, None]
                    },
                }
            })
            .collect(),
        delivery: None,
        as_read: None,
        static_flow: None,
        scatter: Scatter {
            reading: Some(Estimate::symmetric(
                0.3,
                Unit::CubicMillimetre,
                Some(0.1),
                Some(5.0),
                2.57,
            )),
            repeatability_percent: Some(Estimate::symmetric(
                0.3,
                Unit::Percent,
                Some(0.1),
                Some(5.0),
                2.57,
            )),
            pulse: None,
            residual_sd: Some(0.04),
        },
        r_squared: Some(0.9998),
        lack_of_fit: None,
        other_fits: vec![],
        budget: vec![
            BudgetRow {
                component: "reading offset of the vessel".into(),
                kind: Evaluation::B,
                dead_time_us: 10.5,
                slope_percent: 0.02,
            },
            BudgetRow {
                component: "scatter of the readings".into(),
                kind: Evaluation::A,
                dead_time_us: 5.6,
                slope_percent: 0.17,
            },
            BudgetRow {
                component: "vessel tolerance".into(),
                kind: Evaluation::B,
                dead_time_us: 2.1,
                slope_percent: 0.12,
            },
            BudgetRow {
                component: "supply voltage".into(),
                kind: Evaluation::B,
                dead_time_us: 3.0,
                slope_percent: 0.0,
            },
        ],
        points,
        findings: vec![],
    };
    let place = fit.place(id);
    for finding in &mut findings {
        finding.place = Place {
            line: finding.place.line,
            ..place.clone()
        };
    }
    fit.findings = findings;
    fit
}

/// The invented set.
pub fn small() -> Characterisation {
    let injectors = IDS
        .iter()
        .enumerate()
        .map(|(i, &(id, slope, dead_time))| Injector {
            id: id.into(),
            surface: None,
            sweeps: [(10.0, 0.58), (12.0, 0.22), (14.0, 0.0)]
                .iter()
                .enumerate()
                .map(|(j, &(volts, more))| {
                    sweep(
                        id,
                        (3 * i + j) as f64,
                        slope - 0.001 * more,
                        dead_time + more,
                        volts,
                    )
                })
                .collect(),
            checks: None,
        })
        .collect();
    let mut document = Characterisation {
        schema: SchemaTag::V1,
        tool: Tool {
            name: "meniscus".into(),
            version: "0.1.0".into(),
        },
        sources: vec![Source {
            name: "demo.csv".into(),
            sha256: "0".repeat(64),
            mapping: None,
            rows: 96,
            rows_used: 95,
        }],
        bench: bench(),
        effects: vec![Effect {
            id: "vessel:tolerance".into(),
            what: "tolerance of the vessel".into(),
            standard_uncertainty: 0.12,
            unit: Unit::Percent,
        }],
        injectors,
        set_match: Some(set_match()),
        findings: vec![],
    };
    document.injectors[0].checks = Some(InjectorCheck {
        id: "A1".into(),
        cylinder: Some("1".into()),
        coil_resistance: Some(14.2),
        insulation: Some(2.5e7),
        leakage: Some(0.4),
        leakage_uncertainty: None,
        spray: Some("even <cone>".into()),
        note: None,
    });
    // One side of one interval is unbounded, as Fieller's set can be.
    if let Some(x) = &mut document.injectors[3].sweeps[0].dead_time {
        x.interval_95[0] = None;
    }
    document
}

fn bench() -> Bench {
    Bench {
        vessels: vec![Vessel {
            name: None,
            kind: VesselKind::GraduatedCylinder,
            capacity: Some(100_000.0),
            division: Some(1000.0),
            tolerance: Some(500.0),
            class: None,
            reading_uncertainty: None,
            reading_offset_uncertainty: Some(300.0),
            reading_time_s: Some(20.0),
            draining_time_s: Some(40.0),
        }],
        fluid: Some(Fluid {
            name: Some("demo fluid".into()),
            density: Some(0.684),
            density_temperature_c: Some(20.0),
            density_uncertainty: None,
            expansion_per_k: None,
        }),
        job: Some(Job {
            reference: Some("demo, invented".into()),
            operator: None,
            date: Some("2020-01-01".into()),
        }),
        ..Bench::default()
    }
}

fn set_match() -> SetMatch {
    let labels = [("2 ms, 14 V, 300 kPa", 2.0), ("8 ms, 14 V, 300 kPa", 8.0)];
    let percents = [[0.62, 0.45, 0.31, -1.38], [-0.21, 1.14, -0.95, 0.02]];
    let mut deviations = Vec::new();
    for (k, (label, width)) in labels.iter().enumerate() {
        for (i, (id, slope, dead_time)) in IDS.iter().enumerate() {
            let percent = percents[k][i];
            let u = if k == 0 { 0.31 } else { 0.17 };
            deviations.push(Deviation {
                injector: (*id).into(),
                operating_point: (*label).into(),
                delivered: Estimate::symmetric(
                    slope * (width - dead_time),
                    Unit::CubicMillimetre,
                    Some(0.02),
                    Some(14.0),
                    COVERAGE,
                ),
                percent,
                interval_95: [Some(percent - COVERAGE * u), Some(percent + COVERAGE * u)],
                standard_uncertainty: Some(u),
                mixture_percent: -percent / (1.0 + percent / 100.0),
            });
        }
    }
    SetMatch {
        stage: None,
        verdict: Some(Verdict::Undecided),
        tolerance_percent: Some(2.5),
        flow_tolerance_percent: None,
        dead_time_tolerance_us: None,
        risk_percent: 5.0,
        spread_percent: Some(Estimate {
            value: 2.09,
            unit: Unit::Percent,
            standard_uncertainty: Some(0.27),
            degrees_of_freedom: Some(14.0),
            interval_95: [Some(1.55), Some(2.71)],
            shared: BTreeMap::new(),
        }),
        spread_bounds_percent: Some([1.62, 2.61]),
        worst_injector: Some("B9".into()),
        operating_points: labels
            .iter()
            .map(|(label, width)| OperatingPoint {
                label: (*label).into(),
                pulse_width_ms: *width,
                voltage_v: Some(14.0),
                pressure_kpa: Some(300.0),
            })
            .collect(),
        deviations,
        flow_and_dead_time: Vec::new(),
        findings: vec![Finding::new(
            Kind::Undecided,
            Place::default(),
            &[
                ("of", json!("delivered quantity")),
                ("unit", json!("percent")),
                ("lower", json!(1.55)),
                ("upper", json!(2.71)),
                ("tolerance", json!(2.5)),
                ("factor", json!(3)),
            ],
        )],
    }
}

/// The same set with ids that a customer's sheet should not but may contain.
pub fn hostile() -> Characterisation {
    let names = [
        "<script>alert(1)</script>",
        "a\"b'c&d\n\u{1b}[31mred",
        "../../etc/x",
        "..\\..\\etc\\x\u{202e}gnp",
    ];
    let mut document = small();
    for (injector, name) in document.injectors.iter_mut().zip(names) {
        injector.id = name.into();
        for sweep in &mut injector.sweeps {
            for finding in &mut sweep.findings {
                finding.place.injector = Some(name.into());
            }
        }
    }
    if let Some(set) = &mut document.set_match {
        for deviation in &mut set.deviations {
            let i = IDS
                .iter()
                .position(|(id, ..)| *id == deviation.injector)
                .unwrap();
            deviation.injector = names[i].into();
        }
        set.worst_injector = Some(names[3].into());
    }
    document
}

/// Sixteen injectors with long ids at eight voltages, two pressures and two stages.
pub fn crowded() -> Characterisation {
    let mut document = small();
    let volts = [7.0, 8.0, 9.0, 10.0, 11.5, 13.0, 14.5, 16.0];
    document.injectors = (0..16)
        .map(|i| {
            let id = format!("SERIAL-0000-{i:04}-LONG");
            let mut sweeps = Vec::new();
            for (k, stage) in ["as_received", "cleaned"].iter().enumerate() {
                for kpa in [300.0, 400.0] {
                    for (j, v) in volts.iter().enumerate() {
                        let dead_time = 0.5 + 3.2 / (v - 4.5) + 0.01 * f64::from(i) + kpa / 4000.0;
                        let slope =
                            3.4 * (kpa / 300.0_f64).sqrt() * (1.0 + 0.002 * wobble(f64::from(i)));
                        let mut fit = sweep(
                            &id,
                            f64::from(i) + j as f64 + k as f64,
                            slope,
                            dead_time,
                            *v,
                        );
                        fit.stage = Some((*stage).into());
                        fit.pressure_kpa = Some(kpa);
                        sweeps.push(fit);
                    }
                }
            }
            Injector {
                id,
                sweeps,
                surface: None,
                checks: None,
            }
        })
        .collect();
    let set = document.set_match.as_mut().unwrap();
    let first = set.deviations[0].clone();
    set.deviations = (0..2)
        .flat_map(|k| (0..16).map(move |i| (k, i)))
        .map(|(k, i)| {
            let percent = 2.0 * wobble(f64::from(i + 7 * k));
            Deviation {
                injector: format!("SERIAL-0000-{i:04}-LONG"),
                operating_point: set.operating_points[k as usize].label.clone(),
                percent,
                interval_95: [Some(percent - 0.5), Some(percent + 0.5)],
                mixture_percent: -percent,
                ..first.clone()
            }
        })
        .collect();
    document
}

/// A single injector of which hardly anything is known.
pub fn bare() -> Characterisation {
    let mut document = small();
    document.injectors.truncate(1);
    document.set_match = None;
    document.bench = Bench::default();
    let fit = &mut document.injectors[0].sweeps[0];
    *fit = SweepFit {
        voltage_v: None,
        pressure_kpa: None,
        slope: None,
        dead_time: None,
        flow_offset: None,
        covariance: None,
        line_range_ms: None,
        linear_flow_range_ms: None,
        asymptote: None,
        linearity_deviation: vec![],
        budget: vec![],
        findings: vec![Finding::new(Kind::OnePulseWidth, Place::default(), &[])],
        ..fit.clone()
    };
    for point in &mut fit.points {
        point.pulse_width_ms = 2.0;
        point.deviation_percent = None;
        point.fitted = None;
    }
    document.injectors[0].sweeps.truncate(1);
    document
}
