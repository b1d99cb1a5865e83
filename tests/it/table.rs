//! Each shape of table, read back by the equation printed above it.

use meniscus::characterisation::Characterisation;
use meniscus::table::{Of, Reference, Request, Row, Table, TableError, csv, make, text};
use meniscus::units::{FlowUnit, Unit};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

use crate::simulated::{EXACT, Law, Noise, USUAL, document, full, injector};

const VOLTS: [f64; 5] = [8.0, 10.0, 12.0, 14.0, 16.0];
const KPA: [f64; 3] = [250.0, 300.0, 400.0];

fn file(noise: Noise) -> Characterisation {
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    let second = Law {
        flow: 4.3,
        closing: -0.05,
        ..Law::usual()
    };
    document(vec![
        injector("A1", &Law::usual(), &full(&VOLTS, &KPA), noise, &mut rng),
        injector("A2", &second, &full(&VOLTS, &KPA), noise, &mut rng),
    ])
}

fn at(of: Of, volts: f64, kpa: f64) -> Request {
    Request {
        voltages_v: vec![volts],
        pressures_kpa: vec![kpa],
        injectors: vec!["A1".to_owned()],
        ..Request::new(of)
    }
}

fn table(request: &Request) -> Table {
    make(&file(USUAL), request).unwrap()
}

fn only(request: &Request) -> f64 {
    let rows = table(request).rows;
    assert_eq!(rows.len(), 1, "{rows:?}");
    rows[0].value.unwrap()
}

/// Delivered quantity of the model itself at a width.
fn delivered(volts: f64, kpa: f64, width: f64) -> f64 {
    only(&Request {
        pulse_widths_ms: vec![width],
        ..at(Of::Delivered, volts, kpa)
    })
}

/// Between measured conditions too.
const PLACES: [(f64, f64); 3] = [(14.0, 300.0), (8.7, 260.0), (13.2, 350.0)];
const WIDTHS: [f64; 4] = [1.8, 2.5, 4.0, 9.0];

#[test]
fn dead_time_flow_and_deviation_give_the_delivered_quantity_back() {
    for (v, p) in PLACES {
        let (x, s) = (only(&at(Of::DeadTime, v, p)), only(&at(Of::Flow, v, p)));
        let rows = table(&Request {
            pulse_widths_ms: WIDTHS.to_vec(),
            ..at(Of::Deviation, v, p)
        })
        .rows;
        for (row, w) in rows.iter().zip(WIDTHS) {
            assert_eq!((row.unit, row.pulse_width_ms), (Unit::Percent, Some(w)));
            let back = s * (w - x) * (1.0 + row.value.unwrap() / 100.0);
            assert!((back / delivered(v, p, w) - 1.0).abs() < 1e-9);
        }
    }
    // At or below the dead time a percentage means nothing.
    let row = &table(&Request {
        pulse_widths_ms: vec![1.01],
        ..at(Of::Deviation, 8.0, 400.0)
    })
    .rows[0];
    assert_eq!((row.value, row.standard_uncertainty), (None, None));
}

#[test]
fn deviation_against_quantity_is_read_at_its_pulse_width() {
    let request = Request {
        quantities: vec![5.0, 20.0],
        ..at(Of::Deviation, 13.0, 320.0)
    };
    let (x, s) = (
        only(&at(Of::DeadTime, 13.0, 320.0)),
        only(&at(Of::Flow, 13.0, 320.0)),
    );
    for row in table(&request).rows {
        let back = s * (row.pulse_width_ms.unwrap() - x) * (1.0 + row.value.unwrap() / 100.0);
        assert!((back - row.quantity.unwrap()).abs() < 1e-6, "{row:?}");
    }
}

#[test]
fn pulse_widths_deliver_what_was_wanted() {
    for (v, p) in PLACES {
        for request in [
            Request {
                quantities: vec![3.0, 8.0, 30.0],
                ..at(Of::PulseWidth, v, p)
            },
            Request {
                pulse_widths_ms: vec![2.0, 6.0],
                ..at(Of::PulseWidth, v, p)
            },
            at(Of::PulseWidth, v, p),
        ] {
            let rows = table(&request).rows;
            assert!(rows.len() >= 2);
            for row in rows {
                let back = delivered(v, p, row.value.unwrap());
                assert!(
                    (back - row.quantity.unwrap()).abs() < 1e-6,
                    "{row:?} {back}"
                );
            }
        }
    }
}

#[test]
fn net_width_dead_time_and_added_time_make_the_command() {
    for (v, p) in PLACES {
        let (x, s) = (only(&at(Of::DeadTime, v, p)), only(&at(Of::Flow, v, p)));
        for request in [
            Request {
                pulse_widths_ms: vec![0.8, 1.0, 5.0],
                ..at(Of::AddedTime, v, p)
            },
            at(Of::AddedTime, v, p),
        ] {
            for row in table(&request).rows {
                let net = row.pulse_width_ms.unwrap();
                let back = delivered(v, p, net + x + row.value.unwrap());
                assert!((back / (s * net) - 1.0).abs() < 1e-6, "{row:?}");
            }
        }
    }
}

#[test]
fn two_lines_cost_what_the_table_says() {
    for (v, p) in PLACES {
        let rows = table(&Request {
            pulse_widths_ms: WIDTHS.to_vec(),
            ..at(Of::TwoSegments, v, p)
        })
        .rows;
        let part = |name: &str| {
            rows.iter()
                .find(|r| r.part == Some(name))
                .unwrap()
                .value
                .unwrap()
        };
        let costs: Vec<&Row> = rows.iter().filter(|r| r.part == Some("cost")).collect();
        assert_eq!(costs.len(), WIDTHS.len());
        for row in costs {
            let w = row.pulse_width_ms.unwrap();
            let read = if w >= part("break_pulse_width") {
                part("slope_above") * (w - part("dead_time"))
            } else {
                part("break_quantity") - part("slope_below") * (part("break_pulse_width") - w)
            };
            let cost = 100.0 * (read / delivered(v, p, w) - 1.0);
            assert!(
                (cost - row.value.unwrap()).abs() < 1e-6,
                "{w} ms: {cost} {row:?}"
            );
        }
        // The upper line and the lower meet.
        let upper = part("slope_above") * (part("break_pulse_width") - part("dead_time"));
        assert!((upper - part("break_quantity")).abs() < 1e-9);
        // A break costs less than one line would: within 3 % from 2.5 ms up.
        assert!(
            rows.iter()
                .filter(|r| r.pulse_width_ms >= Some(2.5))
                .all(|r| r.value.unwrap().abs() < 3.0)
        );
    }
}

#[test]
fn the_mean_of_the_set_lies_between_its_members() {
    let request = Request {
        mean: true,
        injectors: vec![],
        ..at(Of::DeadTime, 13.0, 310.0)
    };
    let mean = table(&request).rows;
    assert_eq!((mean.len(), mean[0].injector.as_str()), (1, "mean"));
    let each = table(&Request {
        mean: false,
        ..request
    })
    .rows;
    let average = (each[0].value.unwrap() + each[1].value.unwrap()) / 2.0;
    assert!((mean[0].value.unwrap() - average).abs() < 1e-12);
    // Dead times share nothing here: two of equal doubt halve the variance.
    let u = |r: &Row| r.standard_uncertainty.unwrap();
    assert!(u(&mean[0]) < 0.85 * u(&each[0]).max(u(&each[1])));
    // Flow shares the vessel, which no average removes (0.3 %).
    let flow = table(&Request {
        mean: true,
        injectors: vec![],
        ..at(Of::Flow, 13.0, 310.0)
    })
    .rows;
    assert!(u(&flow[0]) / flow[0].value.unwrap() > 0.003);
}

#[test]
fn units_and_reference_conditions_are_carried() {
    let inner = only(&at(Of::Flow, 14.0, 300.0));
    let cc = only(&Request {
        flow_unit: Some(FlowUnit::CcPerMin),
        ..at(Of::Flow, 14.0, 300.0)
    });
    assert!((cc / (60.0 * inner) - 1.0).abs() < 1e-12);
    // n-heptane at 20 °C: 0.683815 g/mL; 1 lb/h = 0.1259978805555556 g/s.
    let pounds = table(&Request {
        flow_unit: Some(FlowUnit::LbPerHour),
        ..at(Of::Flow, 14.0, 300.0)
    });
    let expected = inner * 0.683_815 / 0.125_997_880_555_555_6;
    assert!((pounds.rows[0].value.unwrap() / expected - 1.0).abs() < 3e-6);
    assert!(pounds.conditions.iter().any(|c| c.contains("g/mL")));
    // Petrol of 0.745 g/mL at 15 °C: √(ρ₁/ρ₂) by volume, delivered and flow alike.
    let reference = Some(Reference {
        pressure_kpa: None,
        temperature_c: Some(20.0),
        fluid: Some("petrol@0.745".to_owned()),
    });
    let carried = Request {
        reference: reference.clone(),
        ..at(Of::Flow, 14.0, 300.0)
    };
    let factor = (0.683_815f64 / 0.740_472_9).sqrt();
    assert!((only(&carried) / inner / factor - 1.0).abs() < 3e-6);
    let conditions = table(&carried).conditions;
    assert!(
        conditions
            .iter()
            .any(|c| c.contains("discharge coefficient")),
        "{conditions:?}"
    );
    // A quantity wanted of petrol: the pulse is read back with petrol.
    let wanted = Request {
        quantities: vec![12.0],
        reference: reference.clone(),
        ..at(Of::PulseWidth, 14.0, 300.0)
    };
    let width = only(&wanted);
    let back = only(&Request {
        pulse_widths_ms: vec![width],
        reference,
        ..at(Of::Delivered, 14.0, 300.0)
    });
    assert!((back - 12.0).abs() < 1e-6);
    // A pressure beyond the grid as reference: carried by the exponent, and marked.
    let far = Request {
        reference: Some(Reference {
            pressure_kpa: Some(500.0),
            temperature_c: None,
            fluid: None,
        }),
        pressures_kpa: vec![],
        ..at(Of::Flow, 14.0, 300.0)
    };
    let row = &table(&far).rows[0];
    assert!(row.extrapolated && row.pressure_kpa == Some(500.0));
}

#[test]
fn flow_is_quoted_at_the_usual_pressure_in_the_usual_units() {
    let quoted = table(&Request::new(Of::Flow)).quoted;
    assert_eq!(quoted.len(), 2);
    let q = &quoted[0];
    assert!((q.pressure_psi - 43.511_321).abs() < 1e-5);
    let (cc, g) = (q.cc_per_min.as_ref().unwrap(), q.g_per_s.as_ref().unwrap());
    assert!((g.value / (cc.value / 60.0 * q.density.as_ref().unwrap().value) - 1.0).abs() < 1e-12);
    assert!(
        (q.lb_per_h.as_ref().unwrap().value * 0.125_997_880_555_555_6 / g.value - 1.0).abs()
            < 1e-12
    );
    assert!((q.static_difference_percent.unwrap() - 1.0).abs() < 0.5 && !q.extrapolated);
    // 1 % is below the limit of 2 %; 3 % is a finding.
    assert!(table(&Request::new(Of::Flow)).findings.is_empty());
    let mut document = file(EXACT);
    for estimate in document.injectors[0]
        .sweeps
        .iter_mut()
        .filter_map(|s| s.static_flow.as_mut())
    {
        estimate.value *= 1.03;
    }
    assert!(
        !make(&document, &Request::new(Of::Flow))
            .unwrap()
            .findings
            .is_empty()
    );
}

#[test]
fn what_was_not_measured_is_refused_or_marked() {
    let outside = at(Of::DeadTime, 6.5, 300.0);
    let error = make(&file(USUAL), &outside).unwrap_err();
    assert!(error.hint().contains("--extrapolate"), "{error}");
    let marked = table(&Request {
        extrapolate: true,
        ..outside
    });
    assert!(marked.rows[0].extrapolated);
    assert!(text(&marked, false).contains('*') && csv(&marked, false).contains(",yes"));
    let nobody = Request {
        injectors: vec!["B9".to_owned()],
        ..Request::new(Of::Flow)
    };
    assert!(matches!(
        make(&file(USUAL), &nobody),
        Err(TableError::NoInjector { .. })
    ));
    let mut blind = file(USUAL);
    blind.bench.fluid = None;
    let pounds = Request {
        flow_unit: Some(FlowUnit::LbPerHour),
        ..Request::new(Of::Flow)
    };
    assert!(matches!(
        make(&blind, &pounds),
        Err(TableError::TestFluid(_))
    ));
    assert!(
        make(&blind, &Request::new(Of::Flow)).unwrap().quoted[0]
            .g_per_s
            .is_none()
    );
}

#[test]
fn json_has_the_promised_fields() {
    let json = serde_json::to_value(table(&at(Of::Delivered, 14.0, 300.0))).unwrap();
    assert_eq!(json["of"], "delivered");
    let row = json["rows"][0].as_object().unwrap();
    for key in [
        "injector",
        "voltage_v",
        "pressure_kpa",
        "pulse_width_ms",
        "value",
        "unit",
        "standard_uncertainty",
        "interval_95",
        "extrapolated",
    ] {
        assert!(row.contains_key(key), "{key}");
    }
    assert_eq!(row["unit"], "mm3");
    let json = serde_json::to_value(table(&at(Of::DeadTime, 14.0, 300.0))).unwrap();
    assert!(json["rows"][0]["pulse_width_ms"].is_null());
    for of in [
        Of::DeadTime,
        Of::Flow,
        Of::Deviation,
        Of::Delivered,
        Of::PulseWidth,
        Of::AddedTime,
        Of::TwoSegments,
    ] {
        let json = serde_json::to_value(table(&Request::new(of))).unwrap();
        assert_eq!(json["of"], of.word());
    }
}

#[test]
fn text_and_csv_carry_unit_pressure_and_reading() {
    let table = table(&Request {
        voltages_v: vec![12.0, 14.0],
        ..Request::new(Of::DeadTime)
    });
    let (plain, sheet) = (text(&table, true), csv(&table, true));
    for shown in [&plain, &sheet] {
        assert!(shown.contains("differential") && shown.contains("read as: pulse width ="));
        assert!(shown.contains("dead-time in ms"));
    }
    assert!(plain.contains("standard uncertainty of each value"));
    // 8 µs of doubt: values end at the tenth of a microsecond.
    let value = sheet
        .lines()
        .find(|l| l.starts_with("A1,12,250"))
        .unwrap()
        .split(',')
        .nth(6)
        .unwrap();
    assert_eq!(value.split('.').nth(1).unwrap().len(), 4, "{value}");
    assert_eq!(sheet.lines().filter(|l| l.starts_with("A1,")).count(), 6);
}
