//! What the engine asks of the set, against common practice and arithmetic done elsewhere.

use meniscus::demand::{
    CAUTIONS, Demand, DemandError, NominalFlow, Regulator, Request, demand, read_pump_curve, text,
};
use meniscus::units::{Basis, Quantity, parse};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

use crate::simulated::{Law, USUAL, document, full, injector};

/// 1.6 L, four cylinders, 14.7:1, 420 cc/min, 1.225 g/L of air, 0.74 g/mL of fuel.
fn example() -> Request {
    Request {
        flow: Some(NominalFlow {
            basis: Basis::Volume,
            value: parse(Quantity::VolumeFlow, "420cc/min").unwrap(),
            tolerance: None,
        }),
        dead_time_ms: Some(0.8),
        displacement_l: Some(1.6),
        cylinders: Some(4),
        air_fuel_ratio: Some(14.7),
        air_density: Some(1.225),
        fuel_density: Some(0.74),
        ..Request::default()
    }
}

fn answer(request: &Request) -> Demand {
    demand(None, request).unwrap()
}

fn close(found: f64, expected: f64, relative: f64) {
    assert!(
        (found / expected - 1.0).abs() < relative,
        "{found}, expected {expected}"
    );
}

#[test]
fn one_full_cylinder_takes_the_pulse_of_common_practice() {
    // Common practice: about 6.4 ms; 6.435 ms net by the figures above.
    let answer = answer(&example());
    let pulse = answer.full_cylinder_pulse_ms.unwrap();
    assert!(
        (pulse.net.value - 6.435).abs() < 5e-4,
        "{}",
        pulse.net.value
    );
    close(pulse.gross.unwrap().value, pulse.net.value + 0.8, 1e-12);
    // Nothing has a doubt, so nothing pretends to have one.
    assert_eq!(pulse.net.standard_uncertainty, None);
    assert_eq!(pulse.net.interval_95, [None, None]);
    close(answer.air_per_cylinder_mg.unwrap(), 490.0, 1e-12);
}

#[test]
fn twice_the_flow_is_half_the_pulse() {
    let once = answer(&example()).full_cylinder_pulse_ms.unwrap().net.value;
    let mut request = example();
    request.flow.as_mut().unwrap().value *= 2.0;
    close(
        answer(&request).full_cylinder_pulse_ms.unwrap().net.value,
        once / 2.0,
        1e-12,
    );
    // And the scale from the old set to the new says the same.
    request.old_flow = example().flow;
    request.old_dead_time_ms = Some(1.0);
    let change = answer(&request).replacement.unwrap();
    close(change.pulse_scale.value, 0.5, 1e-12);
    close(change.dead_time_change_ms.unwrap().value, -0.2, 1e-12);
}

#[test]
fn horsepower_makes_pounds_an_hour() {
    // 200 hp · 0.50 lb/(hp·h) / 8 injectors / 80 % = 15.625 lb/h each.
    let request = Request {
        power_kw: Some(parse(Quantity::Power, "200hp").unwrap()),
        fuel_consumption: Some(parse(Quantity::SpecificConsumption, "0.50 lb/hp/h").unwrap()),
        cylinders: Some(8),
        duty_limit_percent: Some(80.0),
        ..example()
    };
    let found = answer(&request);
    let needed = found.flow_needed_per_injector.unwrap();
    close(needed.lb_per_h.value, 15.625, 1e-9);
    // lb/h ↔ cc/min at 0.74 g/mL: 7.55987283333 g/min per lb/h.
    close(
        needed.cc_per_min.value,
        15.625 * 7.559_872_833_33 / 0.74,
        1e-9,
    );
    close(found.fuel_total.unwrap().lb_per_h.value, 100.0, 1e-9);
    // A set of exactly that flow supports exactly that power, at exactly that duty.
    let exact = Request {
        flow: Some(NominalFlow {
            basis: Basis::Mass,
            value: needed.g_per_s.value,
            tolerance: None,
        }),
        ..request
    };
    let found = answer(&exact);
    close(
        found.supported_power_kw.unwrap().value,
        parse(Quantity::Power, "200hp").unwrap(),
        1e-9,
    );
    close(found.duty_at_peak_percent.unwrap().value, 80.0, 1e-9);
    assert!(found.headroom_percent.unwrap().value.abs() < 1e-6);
}

#[test]
fn at_engine_speed_dead_time_takes_its_share_of_the_period() {
    // 6000/min, four strokes: 20 ms a cycle; (6.4350 + 0.8)/20.
    let request = Request {
        engine_speed: Some(6000.0),
        ..example()
    };
    let found = answer(&request);
    let net = found.full_cylinder_pulse_ms.unwrap().net.value;
    close(
        found.duty_at_peak_percent.unwrap().value,
        100.0 * (net + 0.8) / 20.0,
        1e-12,
    );
    // The power supported then leaves that share out: 0.85 − 0.04 of the flow.
    let share = |d: &Demand| d.supported_power_kw.as_ref().unwrap().value;
    close(
        share(&answer(&request)) / share(&answer(&example())),
        0.81 / 0.85,
        1e-12,
    );
    let two = Request {
        strokes: Some(2),
        ..request
    };
    close(
        answer(&two).duty_at_peak_percent.unwrap().value,
        100.0 * (net + 0.8) / 10.0,
        1e-12,
    );
    let odd = Request {
        strokes: Some(3),
        ..example()
    };
    assert!(matches!(
        demand(None, &odd),
        Err(DemandError::Strokes { strokes: 3 })
    ));
}

#[test]
fn what_is_assumed_is_said_with_what_it_would_take_to_know() {
    let request = Request {
        air_density: None,
        fuel_density: None,
        air_fuel_ratio: None,
        fuel: Some("E85".to_owned()),
        ..example()
    };
    let found = answer(&request);
    let assumed: Vec<&str> = found
        .inputs
        .iter()
        .filter(|i| i.assumed)
        .map(|i| i.name)
        .collect();
    for name in [
        "flow",
        "dead_time",
        "fuel_density",
        "air_fuel_ratio",
        "intake_pressure",
        "intake_temperature",
        "volumetric_efficiency",
        "duty_limit",
    ] {
        assert!(assumed.contains(&name), "{name} in {assumed:?}");
    }
    assert!(
        found
            .inputs
            .iter()
            .filter(|i| i.assumed)
            .all(|i| i.to_know.is_some())
    );
    // Air at 15 °C and 101.325 kPa: 1.2249908 g/L.
    close(found.air_per_cylinder_mg.unwrap(), 489.996_32, 1e-6);
    // E85 wants about 9.81 parts of air, so half as much fuel again as petrol.
    close(
        found.air_per_cylinder_mg.unwrap() / found.fuel_per_cylinder_mg.unwrap(),
        9.81,
        2e-3,
    );
    // The density of the named fuel has a doubt, and so has the pulse.
    let pulse = found.full_cylinder_pulse_ms.unwrap();
    assert!(pulse.net.standard_uncertainty.unwrap() > 0.0 && pulse.net.interval_95[0].is_some());
    let missing = Request {
        displacement_l: None,
        ..example()
    };
    let found = answer(&missing);
    assert!(found.full_cylinder_pulse_ms.is_none());
    assert!(
        found
            .not_known
            .iter()
            .any(|n| n.figure == "full_cylinder_pulse_ms")
    );
    assert!(matches!(
        demand(None, &Request::default()),
        Err(DemandError::NoInjector)
    ));
    let negative = Request {
        displacement_l: Some(-1.6),
        ..example()
    };
    assert!(matches!(
        demand(None, &negative),
        Err(DemandError::NotPositive { .. })
    ));
}

#[test]
fn pressure_is_rail_less_intake_and_flow_follows_its_root() {
    let at = |rail: f64, intake: f64| {
        answer(&Request {
            rail_pressure_kpa: Some(rail),
            intake_pressure_kpa: Some(intake),
            flow_pressure_kpa: Some(300.0),
            regulator: Regulator::Fixed,
            ..example()
        })
    };
    // 300 kPa gauge against an intake of 201.325 kPa absolute: 200 kPa are left.
    let boosted = at(300.0, 201.325);
    close(boosted.differential_pressure_kpa.unwrap(), 200.0, 1e-12);
    close(
        boosted.flow_per_injector.cc_per_min.value,
        420.0 * (200.0f64 / 300.0).sqrt(),
        1e-9,
    );
    assert!(
        boosted
            .flow_per_injector
            .cc_per_min
            .standard_uncertainty
            .unwrap()
            > 0.0
    );
    close(
        at(300.0, 101.325).flow_per_injector.cc_per_min.value,
        420.0,
        1e-12,
    );
    let none = Request {
        rail_pressure_kpa: Some(90.0),
        intake_pressure_kpa: Some(250.0),
        ..example()
    };
    assert!(matches!(
        demand(None, &none),
        Err(DemandError::NoPressure { .. })
    ));
}

#[test]
fn a_set_that_is_too_small_is_told_which_pressure_would_do() {
    let request = Request {
        power_kw: Some(100.0),
        fuel_consumption: Some(300.0),
        duty_limit_percent: Some(80.0),
        differential_pressure_kpa: Some(300.0),
        ..example()
    };
    // 100 kW · 300 g/kWh / 3600 / 4 = 2.0833 g/s against 5.18 g/s: no trouble.
    close(
        answer(&request).duty_at_peak_percent.unwrap().value,
        100.0 * 25.0 / 12.0 / 5.18,
        1e-9,
    );
    assert!(answer(&request).raised_pressure.is_none() && !answer(&request).fails());
    let big = Request {
        power_kw: Some(230.0),
        ..request.clone()
    };
    let found = answer(&big);
    assert!(found.fails());
    let duty = found.duty_at_peak_percent.unwrap().value;
    let raised = found.raised_pressure.unwrap();
    close(raised.needed_kpa.value, 300.0 * (duty / 80.0).powi(2), 1e-9);
    assert!(!raised.warning.unwrap().contains("700"));
    let huge = Request {
        power_kw: Some(320.0),
        ..request
    };
    assert!(
        answer(&huge)
            .raised_pressure
            .unwrap()
            .warning
            .unwrap()
            .contains("700")
    );
}

#[test]
fn the_pump_is_held_against_need_and_margin() {
    let curve = read_pump_curve("pressure_kpa,flow_l/h\n300,120\n400,100\n").unwrap();
    let request = Request {
        power_kw: Some(200.0),
        fuel_consumption: Some(300.0),
        rail_pressure_kpa: Some(300.0),
        pump: Some(curve),
        ..example()
    };
    let pump = answer(&request).pump.unwrap();
    // 60 kg/h / 0.74 · 1.2 = 97.297 L/h = 1621.6 cc/min; the pump gives 2000.
    close(
        pump.needed_cc_per_min.value,
        60_000.0 / 0.74 * 1.2 / 60.0,
        1e-9,
    );
    close(pump.available_cc_per_min.unwrap(), 2000.0, 1e-9);
    assert_eq!(pump.verdict, "enough");
    let more = Request {
        power_kw: Some(300.0),
        ..request.clone()
    };
    assert_eq!(answer(&more).pump.unwrap().verdict, "short");
    let beyond = Request {
        rail_pressure_kpa: Some(500.0),
        ..request
    };
    assert_eq!(answer(&beyond).pump.unwrap().verdict, "unknown");
}

#[test]
fn a_measured_set_gives_intervals_and_says_whether_it_idles() {
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let conditions = full(&[10.0, 12.0, 14.0], &[250.0, 300.0, 400.0]);
    let set = |flow: f64, rng: &mut ChaCha8Rng| {
        let law = Law {
            flow,
            ..Law::usual()
        };
        document(
            (0..4)
                .map(|i| injector(&format!("A{i}"), &law, &conditions, USUAL, rng))
                .collect(),
        )
    };
    let request = Request {
        flow: None,
        dead_time_ms: None,
        differential_pressure_kpa: Some(300.0),
        engine_speed: Some(6500.0),
        ..example()
    };
    let small = set(4.0, &mut rng);
    let found = demand(Some(&small), &request).unwrap();
    // n-heptane to 0.74 g/mL by the orifice law: √(ρ₁/ρ₂) by volume.
    let law = Law {
        flow: 4.0,
        ..Law::usual()
    };
    let (slope, dead) = law.line(14.0, 300.0, crate::simulated::RANGE);
    let flow = &found.flow_per_injector.cc_per_min;
    let truth = 60.0 * slope * (0.683_815f64 / 0.74).sqrt();
    assert!(
        flow.interval_95[0].unwrap() < truth && truth < flow.interval_95[1].unwrap(),
        "{flow:?} {truth}"
    );
    let pulse = found.full_cylinder_pulse_ms.as_ref().unwrap();
    let gross = pulse.gross.as_ref().unwrap();
    let expected = 490.0 / 14.7 / (truth / 60.0 * 0.74) + dead;
    assert!(gross.interval_95[0].unwrap() < expected && expected < gross.interval_95[1].unwrap());
    assert!(found.duty_at_peak_percent.unwrap().interval_95[0].is_some());
    assert!(
        found
            .inputs
            .iter()
            .any(|i| i.name == "flow" && !i.assumed && i.standard_uncertainty.is_some())
    );
    assert_eq!(found.idle.as_ref().unwrap().verdict, "inside");
    // Three times the flow: the idle pulse falls below 1.9 ms, where the linear range starts.
    let large = set(12.0, &mut rng);
    let idle = demand(Some(&large), &request).unwrap().idle.unwrap();
    assert_eq!((idle.verdict, idle.linear_from_ms), ("below", Some(1.9)));
    assert!(idle.dead_time_share_percent.unwrap() > 20.0);
    // Nominal sets cannot tell.
    assert_eq!(answer(&example()).idle.unwrap().verdict, "unknown");
}

#[test]
fn json_has_the_promised_fields_and_the_text_its_cautions() {
    let found = answer(&Request {
        engine_speed: Some(6000.0),
        ..example()
    });
    let json = serde_json::to_value(&found).unwrap();
    for pointer in [
        "/full_cylinder_pulse_ms/net/value",
        "/full_cylinder_pulse_ms/gross/value",
        "/duty_at_peak_percent/value",
        "/supported_power_kw/value",
    ] {
        assert!(
            json.pointer(pointer)
                .and_then(serde_json::Value::as_f64)
                .is_some(),
            "{pointer}"
        );
    }
    assert_eq!(json["supported_power_kw"]["unit"], "kW");
    let shown = text(&found);
    assert!(CAUTIONS.iter().all(|c| shown.contains(c)));
    assert!(shown.contains("lean") && shown.contains("wideband") && shown.contains("idle"));
    assert!(shown.contains("6.435 ms") && shown.contains("to know it"));
}

/// Typed figures with a tolerance: a rectangle of that half-width (standard deviation
/// half/√3) carried through net = fuel/flow and gross = net + dead time.
#[test]
fn tolerances_of_typed_figures_become_intervals() {
    let mut request = example();
    let flow = request.flow.as_mut().unwrap();
    flow.tolerance = Some(0.02 * flow.value);
    request.dead_time_tolerance_ms = Some(0.1);
    request.old_flow = Some(NominalFlow {
        tolerance: Some(0.07),
        value: 3.5,
        basis: Basis::Volume,
    });
    request.old_dead_time_ms = Some(1.0);
    request.old_dead_time_tolerance_ms = Some(0.05);
    let found = answer(&request);
    let pulse = found.full_cylinder_pulse_ms.unwrap();
    let u_net = 0.02 / 3f64.sqrt() * pulse.net.value;
    close(
        pulse.net.value,
        answer(&example()).full_cylinder_pulse_ms.unwrap().net.value,
        1e-12,
    );
    close(pulse.net.standard_uncertainty.unwrap(), u_net, 1e-9);
    close(
        pulse.gross.unwrap().standard_uncertainty.unwrap(),
        u_net.hypot(0.1 / 3f64.sqrt()),
        1e-9,
    );
    let change = found.replacement.unwrap();
    close(change.pulse_scale.value, 0.5, 1e-12);
    close(
        change.pulse_scale.standard_uncertainty.unwrap(),
        0.5 * 0.02 * (2.0 / 3.0f64).sqrt(),
        1e-9,
    );
    close(
        change
            .dead_time_change_ms
            .unwrap()
            .standard_uncertainty
            .unwrap(),
        (0.1f64.hypot(0.05)) / 3f64.sqrt(),
        1e-9,
    );
    // Marked as assumed all the same, with its doubt.
    let flow = found.inputs.iter().find(|i| i.name == "flow").unwrap();
    assert!(flow.assumed);
    close(
        flow.standard_uncertainty.unwrap(),
        420.0 * 0.02 / 3f64.sqrt(),
        1e-9,
    );
}
