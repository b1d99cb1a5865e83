//! Fluids, orifice, weighing and combustion against published figures.

use meniscus::capture::Fluid;
use meniscus::fluid::*;
use meniscus::units::{Basis, Estimate, FlowUnit, Quantity, Unit, parse};

/// Rows of a published table as text cells; `#` lines and the header left out.
pub fn rows(text: &str) -> Vec<Vec<&str>> {
    text.lines()
        .filter(|l| !l.starts_with('#') && !l.is_empty())
        .skip(1)
        .map(|l| l.split(',').collect())
        .collect()
}

fn number(cell: &str) -> f64 {
    cell.parse().unwrap()
}

fn assert_close(found: f64, expected: f64, relative: f64, what: &str) {
    assert!(
        (found / expected - 1.0).abs() <= relative,
        "{what}: {found}, published {expected}"
    );
}

#[test]
fn pure_liquids_follow_the_reference_equations_between_their_nodes() {
    let table = rows(include_str!("../tables/pure_liquids.csv"));
    assert_eq!(table.len(), 30);
    for row in table {
        let fluid = test_fluid(row[0]).unwrap();
        let density = fluid.density(number(row[1])).unwrap();
        assert_close(
            1000.0 * density.value,
            number(row[2]),
            3e-6,
            &format!("{} at {} °C", row[0], row[1]),
        );
        assert!(
            (1000.0 * density.value - number(row[2])).abs() < 1000.0 * density.standard_uncertainty
        );
    }
}

#[test]
fn n_heptane_agrees_with_a_second_source_within_a_hundredth_of_a_percent() {
    // `thermo` 0.6.1, VDI-PPDS correlation, kg/m³.
    for (t, rho) in [
        (15.0, 687.997),
        (20.0, 683.763),
        (21.0, 682.914),
        (25.0, 679.512),
    ] {
        let found = 1000.0 * test_fluid("N-Heptane").unwrap().density(t).unwrap().value;
        assert_close(found, rho, 1.5e-4, "n-heptane");
    }
}

#[test]
fn water_agrees_with_iapws_95() {
    for row in rows(include_str!("../tables/water.csv")) {
        let found = 1000.0 * water_density(number(row[0]));
        assert!(
            (found - number(row[1])).abs() < 0.0013,
            "{} °C: {found}, IAPWS-95 {}",
            row[0],
            row[1]
        );
    }
    // CIPM table, as remembered: 998.2067 at 20 °C, 997.0470 at 25 °C.
    assert!((1000.0 * water_density(20.0) - 998.2067).abs() < 1e-4);
    assert!((1000.0 * water_density(25.0) - 997.0470).abs() < 1e-4);
}

#[test]
fn petrol_follows_the_generalised_volume_correction() {
    // Formula figures, computed outside this project: rho15, t, VCF, rho_t.
    for (rho15, t, vcf, rho) in [
        (0.720, 25.0, 0.987_175_36, 0.710_766_26),
        (0.745, 20.0, 0.993_923_35, 0.740_472_90),
        (0.745, 25.0, 0.987_825_47, 0.735_929_98),
        (0.745, 30.0, 0.981_707_21, 0.731_371_87),
        (0.755, 40.0, 0.970_028_44, 0.732_371_47),
        (0.700, 0.0, 1.019_882, 0.713_917_7),
    ] {
        assert_close(volume_correction(rho15, t), vcf, 5e-7, "VCF");
        let fluid = test_fluid(&format!("petrol@{rho15}")).unwrap();
        assert_close(fluid.density(t).unwrap().value, rho, 5e-7, "density");
    }
    // The °F constants must say the same: K0(°C)/1.8 = 192.4571, K1(°C)/1.8 = 0.2438.
    assert!((346.4228 / 1.8 - 192.4571f64).abs() < 5e-5 && (0.4388 / 1.8 - 0.2438f64).abs() < 5e-5);
    assert_close(
        petrol_density_15(0.745, 25.0),
        0.754_013_678,
        1e-9,
        "inverse",
    );
    assert_close(
        petrol_density_15(0.735, 20.0),
        0.739_544_376,
        1e-9,
        "inverse",
    );
}

#[test]
fn petrol_of_unstated_density_covers_what_the_standard_allows() {
    let density = test_fluid("petrol").unwrap().density(15.0).unwrap();
    assert_eq!(density.value, 0.745);
    // A rectangle of ±0.0275 g/mL has standard uncertainty 0.01588.
    assert_close(density.standard_uncertainty, 0.015_88, 1e-3, "u");
    assert!(density.assumptions.iter().any(|a| a.contains("not stated")));
    let heavy = test_fluid("petrol@0.775").unwrap().density(20.0).unwrap();
    assert_close(heavy.value, 0.770_563_51, 5e-7, "outside the group");
    assert!(
        heavy
            .assumptions
            .iter()
            .any(|a| a.contains("outside the gasoline group"))
    );
}

#[test]
fn blends_mix_by_volume_and_need_air_by_mass() {
    // Common table values 14.1 and 9.7 to 9.8; 14.09961 and 9.813776 computed with 0.745,
    // 0.7894, 14.7 and 9.0 (here ethanol at 15 °C and 9.003).
    let e10 = test_fluid("E10").unwrap();
    let e85 = test_fluid("e85").unwrap();
    assert!((e10.stoichiometric_ratio.unwrap() - 14.0996).abs() < 0.01);
    assert!((e85.stoichiometric_ratio.unwrap() - 9.8138).abs() < 0.01);
    let (petrol, ethanol) = (0.740_472_90, 0.789_421);
    assert_close(
        e85.density(20.0).unwrap().value,
        0.85 * ethanol + 0.15 * petrol,
        1e-6,
        "E85",
    );
}

#[test]
fn stoichiometric_ratios_follow_from_atomic_masses() {
    // Computed outside this project with x_O2 = 0.2095, M_air = 28.9647.
    for (c, h, o, ratio) in [
        (2.0, 6.0, 1.0, 9.003_321),
        (1.0, 4.0, 1.0, 6.472_299),
        (8.0, 18.0, 0.0, 15.129_36),
        (7.0, 16.0, 0.0, 15.177_55),
        (7.0, 8.0, 0.0, 13.504_76),
        (1.0, 1.85, 0.0, 14.572_56),
        (3.0, 8.0, 0.0, 15.676_88),
        (1.0, 4.0, 0.0, 17.236_30),
    ] {
        assert_close(stoichiometric_ratio(c, h, o), ratio, 1e-5, "ratio");
    }
    // ISO 2533: 1.225 at 15 °C; 1.204 at 20 °C; 99 kPa, 25 °C computed.
    assert_close(air_density(AMBIENT_KPA, 15.0), 1.224_990_8, 1e-6, "air");
    assert_close(air_density(AMBIENT_KPA, 20.0), 1.204_097_2, 1e-6, "air");
    assert_close(air_density(99.0, 25.0), 1.156_738_6, 1e-6, "air");
}

#[test]
fn z_factors_round_to_the_printed_table() {
    let table = rows(include_str!("../tables/z_factor_water.csv"));
    assert_eq!(table.len(), 186);
    let mut on_an_edge = 0;
    for row in &table {
        let t = number(row[0]);
        let z =
            volume_per_indicated_mass(water_density(t), moist_air_density(number(row[1]), 50.0, t));
        let off = (z - number(row[2])).abs();
        assert!(off < 1.06e-4, "{row:?}: {z}");
        if (z * 1e4).round() / 1e4 != number(row[2]) {
            on_an_edge += 1;
        }
    }
    // 175 of 186 round to the printed value; eleven lie on a rounding edge.
    assert!(on_an_edge <= 11, "{on_an_edge}");
}

#[test]
fn buoyancy_makes_light_fluids_heavier_than_they_look() {
    // Computed outside this project, air 1.2 kg/m³, weights 8000 kg/m³.
    assert_close(
        buoyancy_factor(0.998_206_75, 0.0012),
        1.001_053_422_2,
        1e-9,
        "water",
    );
    assert_close(
        buoyancy_factor(0.683_815, 0.0012),
        1.001_607_681_1,
        1e-9,
        "n-heptane",
    );
    assert_close(
        buoyancy_factor(0.745, 0.0012),
        1.001_463_094_9,
        1e-9,
        "petrol",
    );
    assert_close(
        100.0 * volume_per_indicated_mass(0.683_815, 0.0012),
        146.473,
        5e-6,
        "100 g",
    );
}

#[test]
fn the_orifice_law_meets_textbook_and_standard() {
    let water = |v: f64| Density {
        value: v,
        standard_uncertainty: 0.0,
        assumptions: vec![],
    };
    // ISO 5167 example of the package `fluids` 1.3.1: D = 73.66 mm, d = 50 mm, 17 kPa,
    // 999.1 kg/m³, C = 0.6151252900, expansibility 0.9711026967 → 7.70233803573 kg/s.
    let beta: f64 = 50.0 / 73.66;
    let area = std::f64::consts::PI / 4.0 * 50.0 * 50.0;
    let flow = 0.615_125_290_0 * 0.971_102_696_7 / (1.0 - beta.powi(4)).sqrt()
        * area
        * jet_velocity(17.0, 0.9991); // mm³/ms
    assert_close(flow * 0.9991 / 1000.0, 7.702_338_035_73, 1e-9, "ISO 5167");
    // OpenStax, University Physics 1, 14.6: 40 L/s through 9.00 → 3.00 cm drops 1.58e6 Pa;
    // the difference of the two speeds' dynamic pressures drives a jet of v2² − v1².
    let speed = |cm: f64| 40e6 / (std::f64::consts::PI / 4.0 * (10.0 * cm).powi(2)) / 1000.0;
    assert_close(speed(3.0), 56.6, 1e-3, "nozzle speed");
    let drop = 1_581.357_903_505_17;
    assert_close(
        jet_velocity(drop, 1.0).powi(2),
        speed(3.0).powi(2) - speed(9.0).powi(2),
        1e-9,
        "nozzle",
    );
    // Four holes of 0.25 mm, Cd 0.70, 300 kPa, 683.815 kg/m³: 244.278640 cm³/min, 2.78402331 g/s.
    let holes = 4.0 * std::f64::consts::PI / 4.0 * 0.25 * 0.25 * 0.70;
    let q = holes * jet_velocity(300.0, 0.683_815);
    assert_close(60.0 * q, 244.278_640, 1e-8, "four holes");
    assert_close(q * 0.683_815, 2.784_023_31, 1e-8, "four holes");
    // √ law: 350/300 → 1.080123450; petrol against n-heptane 0.95805683 by volume, 1.0437794 by mass.
    let at = |kpa: f64, rho: f64| FlowCondition {
        pressure_kpa: Some(kpa),
        density: Some(water(rho)),
    };
    let by = |basis, a: &FlowCondition, b: &FlowCondition| carry(basis, a, b, Exponent::ASSUMED);
    assert_close(
        by(Basis::Volume, &at(300.0, 0.7), &at(350.0, 0.7)).factor,
        1.080_123_450,
        1e-9,
        "pressure",
    );
    // That figure rests on a density with more digits than the six it is printed with.
    let (heptane, petrol) = (at(300.0, 0.683_815), at(300.0, 0.745));
    assert_close(
        by(Basis::Volume, &heptane, &petrol).factor,
        0.958_056_83,
        3e-7,
        "volume",
    );
    assert_close(
        by(Basis::Mass, &heptane, &petrol).factor,
        1.043_779_4,
        3e-7,
        "mass",
    );
}

#[test]
fn a_flow_comes_back_from_there_and_back() {
    let a = FlowCondition {
        pressure_kpa: Some(300.0),
        density: Some(test_fluid("n-heptane").unwrap().density(20.0).unwrap()),
    };
    let b = FlowCondition {
        pressure_kpa: Some(350.0),
        density: Some(test_fluid("E85").unwrap().density(32.0).unwrap()),
    };
    let n = Exponent {
        value: 0.512,
        standard_uncertainty: 0.004,
        assumed: false,
    };
    for basis in [Basis::Volume, Basis::Mass] {
        let there = carry(basis, &a, &b, n);
        let back = carry(basis, &b, &a, n);
        assert!((there.factor * back.factor - 1.0).abs() < 1e-14);
        assert_eq!(there.steps.len(), 2);
        assert!(there.steps.iter().all(|s| !s.assumption.is_empty()));
        assert!(there.relative_uncertainty > 0.005 && there.relative_uncertainty < 0.02);
    }
    assert_eq!(carry(Basis::Volume, &a, &a, n).factor, 1.0);
}

#[test]
fn a_change_of_basis_carries_the_density_s_doubt() {
    let density = Density {
        value: 0.684,
        standard_uncertainty: 0.00684,
        assumptions: vec![],
    };
    let flow = Estimate::symmetric(
        4.0,
        Unit::CubicMillimetrePerMillisecond,
        Some(0.04),
        None,
        1.96,
    );
    let mass = to_basis(&flow, Basis::Volume, Basis::Mass, &density);
    assert_close(mass.value, 2.736, 1e-12, "mass");
    assert_eq!(mass.unit, Unit::MilligramPerMillisecond);
    // 1 % of flow and 1 % of density add in squares.
    assert_close(
        mass.standard_uncertainty.unwrap(),
        2.736 * 0.01 * 2f64.sqrt(),
        1e-12,
        "u",
    );
    assert_close(
        mass.half_width().unwrap(),
        1.96 * 2.736 * 0.01 * 2f64.sqrt(),
        1e-12,
        "interval",
    );
    assert_close(mass.shared["density"], 0.02736, 1e-12, "shared");
    let back = to_basis(&mass, Basis::Mass, Basis::Volume, &density);
    assert_close(back.value, 4.0, 1e-15, "back");
    // Up with the density, down with the density: the same density leaves no doubt behind.
    assert!(back.shared["density"].abs() < 1e-12);
}

#[test]
fn pounds_an_hour_and_cc_a_minute_meet_through_the_density() {
    // "10.5 rule": cm³/min per lb/h at 0.72 g/cm³ is 10.4998234; 11.055678 at 0.6838.
    let per_pound = |rho: f64| {
        parse(Quantity::MassFlow, "1 lb/h").unwrap() / rho * FlowUnit::CcPerMin.per_inner()
    };
    assert_close(per_pound(0.72), 10.499_823_4, 1e-8, "10.5");
    assert_close(per_pound(0.6838), 11.055_678, 1e-7, "11.06");
    assert_close(per_pound(0.745), 10.147_480, 1e-7, "10.15");
}

#[test]
fn a_stated_fluid_wins_over_the_table_and_an_unknown_name_is_refused() {
    let mut fluid = Fluid {
        name: Some("n-heptane".to_owned()),
        density: None,
        density_temperature_c: None,
        density_uncertainty: None,
        expansion_per_k: None,
    };
    assert_close(
        of_bench(Some(&fluid), None).unwrap().value,
        0.683_815,
        3e-6,
        "by name",
    );
    fluid.density = Some(0.69);
    fluid.density_temperature_c = Some(20.0);
    let stated = of_bench(Some(&fluid), Some(25.0)).unwrap();
    assert!(stated.value < 0.69 && stated.assumptions.iter().any(|a| a.contains("expansion")));
    assert!(matches!(of_bench(None, None), Err(FluidError::NotStated)));
    let error = test_fluid("n-heptan").unwrap_err();
    assert!(matches!(error, FluidError::Unknown { near: Some(ref n), .. } if n == "n-heptane"));
    assert!(test_fluid("ethanol").unwrap().density(80.0).is_err());
}
