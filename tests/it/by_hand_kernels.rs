//! What fits are made of, worked by hand or against SciPy 1.17.1 where that would be long.
//!
//! Sums of squares of a few numbers and closed forms of Student's t of two degrees of freedom and
//! of F with two are all the source there is; each test says what it works out.

use meniscus::fit::FitError;
use meniscus::fit::curve::{
    CurveDesign, CurveError, CurveReading, CurveSetup, Expected, FixedScales, Misreading, Scale,
    fit_curve, posterior_at,
};
use meniscus::fit::distribution::{
    chi_squared_p_value, chi_squared_quantile, coverage_factor, f_p_value, t_quantile,
    t_two_sided_p_value,
};
use meniscus::fit::equality::equality_of_slopes;
use meniscus::fit::hermite::inner_tangent;
use meniscus::fit::line::{LineFit, ScaleSource, Weights, fit_line};
use meniscus::fit::origin::fit_through_origin;
use meniscus::fit::outlier::{Sides, grubbs_critical, grubbs_statistic, studentised_residuals};
use meniscus::fit::robust::{Cell, repeatability, theil_sen_interval};
use meniscus::fit::york::{YorkFit, fit_york};
use meniscus::units::NORMAL_95;

use super::by_hand::near;

const FLOW: f64 = 5.0;

fn three_slopes(weights: Weights<'_>, scale: ScaleSource) -> Vec<LineFit> {
    // Slopes 1, 2 and 3 with residuals 0.5, −1 and 0.5.
    [1.0, 2.0, 3.0]
        .map(|slope| {
            let y = [slope + 0.5, 2.0 * slope - 1.0, 3.0 * slope + 0.5];
            fit_line(&[1.0, 2.0, 3.0], &y, weights, scale).unwrap()
        })
        .to_vec()
}

/// Sxx = 2 each: common slope 2, extra 2·(1 + 0 + 1) = 4 of two degrees of freedom; separate
/// 3·1.5 of three, so s² = 1.5, F = 2/1.5, u = √(1.5/6). F of 2 and 3 is exceeded with
/// (1 + 2F/3)^(−3/2) = (9/17)^(3/2).
#[test]
fn three_slopes_are_compared_by_their_scatter() {
    let fits = three_slopes(Weights::Equal, ScaleSource::Scatter);
    let got = equality_of_slopes(&fits, ScaleSource::Scatter).unwrap();
    near(got.common_slope, 2.0, 1e-12);
    near(got.extra_sum_of_squares, 4.0, 1e-12);
    near(got.separate_sum_of_squares, 4.5, 1e-12);
    near(got.pooled_sd.unwrap(), 1.5f64.sqrt(), 1e-12);
    assert_eq!((got.dof_slopes, got.dof_residual), (2.0, Some(3.0)));
    near(got.f, 4.0 / 3.0, 1e-12);
    near(got.p_value, (9f64 / 17.0).powf(1.5), 1e-12);
    near(got.common_slope_uncertainty, 0.5, 1e-12);
}

/// With u = 0.5 stated all sums are four times those: χ² = 16 of two degrees of freedom, exceeded
/// with exp(−8); F = 8; u = 1/√24; s² = 18/3. Two points a line leave nothing over.
#[test]
fn three_slopes_are_compared_by_their_stated_doubt() {
    let stated = Weights::FromUncertainty(&[0.5; 3]);
    let fits = three_slopes(stated, ScaleSource::Stated);
    let got = equality_of_slopes(&fits, ScaleSource::Stated).unwrap();
    near(got.extra_sum_of_squares, 16.0, 1e-12);
    near(got.pooled_sd.unwrap(), 6f64.sqrt(), 1e-12);
    assert_eq!((got.dof_slopes, got.dof_residual), (2.0, None));
    near(got.f, 8.0, 1e-12);
    near(got.p_value, (-8f64).exp(), 1e-12);
    near(got.common_slope_uncertainty, 24f64.sqrt().recip(), 1e-12);

    let two = [1.0, 2.0, 3.0].map(|slope| {
        let weights = Weights::FromUncertainty(&[0.5; 2]);
        fit_line(
            &[1.0, 2.0],
            &[slope, 2.0 * slope],
            weights,
            ScaleSource::Stated,
        )
        .unwrap()
    });
    let got = equality_of_slopes(&two, ScaleSource::Stated).unwrap();
    assert_eq!(got.pooled_sd, None);
    let refused = equality_of_slopes(&two, ScaleSource::Scatter);
    assert_eq!(refused, Err(FitError::TooFewPoints { have: 6, need: 7 }));
}

/// 1/u² of 1e9 over that of 0.1 is 1e−20.
#[test]
fn a_weight_that_vanishes_is_told_with_its_share() {
    let weights = Weights::FromUncertainty(&[0.1, 0.1, 1e9]);
    let refused = fit_line(&[1.0, 2.0, 3.0], &[1.0; 3], weights, ScaleSource::Stated);
    match refused {
        Err(FitError::WeightVanishes { index: 2, ratio }) => near(ratio, 1e-20, 1e-12),
        other => panic!("{other:?}"),
    }
}

/// Nothing delivered at any width: no spread, of which a line could explain a share.
#[test]
fn a_line_through_nothing_explains_nothing() {
    let x = [1.0, 2.0, 3.0];
    let fit = fit_line(&x, &[0.0; 3], Weights::Equal, ScaleSource::Scatter).unwrap();
    assert_eq!((fit.slope, fit.r_squared), (0.0, None));
}

/// Residuals 0.2, −0.1, −0.2, −0.1, 0.2 about y = x: at the first point h = 1/5 + 4/10, so
/// r²/(1 − h) = 0.1 of Σr² = 0.14, s² = 0.04/2 without it, t = 0.2/√(0.02·0.4) = √5; of two degrees
/// of freedom P = 1 − t/√(2 + t²), five times that for the worst of five.
#[test]
fn a_studentised_residual_has_the_chance_of_students_t() {
    let x = [1.0, 2.0, 3.0, 4.0, 5.0];
    let y = [1.2, 1.9, 2.8, 3.9, 5.2];
    let fit = fit_line(&x, &y, Weights::Equal, ScaleSource::Scatter).unwrap();
    let got = studentised_residuals(&fit, &x).unwrap()[0];
    near(got.value.unwrap(), 5f64.sqrt(), 1e-12);
    near(
        got.p_value.unwrap(),
        5.0 * (1.0 - (5f64 / 7.0).sqrt()),
        1e-12,
    );
}

/// Residuals of one stated doubt of 1e−6, h = 0.7 and 0.3 for 1, 2, 3, 4: z = ±1/√(1 − h),
/// however small the unit makes the doubt.
#[test]
fn a_studentised_residual_knows_no_unit() {
    let x = [1.0, 2.0, 3.0, 4.0];
    let signs = [1.0, -1.0, -1.0, 1.0];
    for unit in [1.0, 1e-6] {
        let y: Vec<f64> = x.iter().zip(signs).map(|(x, s)| x + s * unit).collect();
        let own = [unit; 4];
        let fit = fit_line(&x, &y, Weights::FromUncertainty(&own), ScaleSource::Stated).unwrap();
        let got = studentised_residuals(&fit, &x).unwrap();
        for ((got, sign), h) in got.iter().zip(signs).zip([0.7, 0.3, 0.3, 0.7]) {
            near(got.value.unwrap(), sign / (1.0f64 - h).sqrt(), 1e-8);
        }
    }
}

/// 1, 2 and 6: mean 3, s² = (4 + 1 + 9)/2, G = 3/√7. A significance of 0, 1 or NaN is none.
#[test]
fn grubbs_takes_three_values_and_a_significance_between_0_and_1() {
    let got = grubbs_statistic(&[1.0, 2.0, 6.0]).unwrap();
    near(got.g, 3.0 / 7f64.sqrt(), 1e-12);
    assert_eq!(got.index, 2);
    for alpha in [0.0, 1.0, f64::NAN] {
        let refused = grubbs_critical(5, alpha, Sides::Two);
        let named = matches!(refused, Err(FitError::OutOfDomain { what: "alpha", .. }));
        assert!(named, "{refused:?}");
    }
}

/// `scipy.stats.theilslopes(y, x, alpha=0.95)` of SciPy 1.17.1, which gives other limits as soon
/// as the ties of x or of y are left out or added. Of four points at 0.99 it gives the smallest
/// and the largest slope of a pair, 0.25/1 and 3.25/2.
#[test]
fn sens_interval_is_that_of_scipy_with_ties_and_with_few_points() {
    let x = [2.0, 2.0, 2.0, 2.0, 4.0, 4.0, 4.0, 4.0, 7.0, 7.0, 7.0, 7.0];
    let y = [3.0, 4.0, 3.0, 3.0, 3.0, 2.0, 4.0, 2.0, 4.0, 4.0, 4.0, 3.0];
    let got = theil_sen_interval(&x, &y, 0.95);
    assert_eq!(got, Ok((0.0, 1.0 / 3.0)));
    let got = theil_sen_interval(&[1.0, 2.0, 3.0, 5.0], &[1.0, 2.5, 2.75, 6.0], 0.99);
    assert_eq!(got, Ok((0.25, 1.625)));
}

/// Cells {1, 3} and {5}: s_r² = 2 of one degree of freedom; Σn(m − 3)² = 2 + 4; n̄ = 3 − 5/3;
/// s_L² = (6 − 2)/(4/3) = 3, s_R² = 5. One cell or a cell that is no number is refused.
#[test]
fn two_cells_and_no_fewer_have_a_reproducibility() {
    let [two, one] = [&[1.0, 3.0][..], &[5.0]].map(|values| Cell::of(values).unwrap());
    let got = repeatability(&[two, one]).unwrap();
    near(got.repeatability_sd, 2f64.sqrt(), 1e-12);
    near(got.between_sd, 3f64.sqrt(), 1e-12);
    near(got.reproducibility_sd, 5f64.sqrt(), 1e-12);
    assert_eq!((got.mean, got.degrees_of_freedom), (3.0, 1.0));
    let refused = repeatability(&[two]);
    assert_eq!(refused, Err(FitError::TooFewPoints { have: 1, need: 2 }));
    let refused = repeatability(&[one, one]);
    assert_eq!(refused, Err(FitError::TooFewPoints { have: 2, need: 3 }));
    let nan = f64::NAN;
    for bad in [Cell { mean: nan, ..two }, Cell { sd: nan, ..two }] {
        let refused = repeatability(&[one, bad]);
        let at = matches!(refused, Err(FitError::NotFinite { index: 1, .. }));
        assert!(at, "{refused:?}");
    }
    // 2⁵² and the next two whole numbers are exact, their sums with the mean are not.
    let far = 2f64.powi(52);
    assert_eq!(Cell::of(&[far, far + 1.0, far + 2.0]).unwrap().sd, 1.0);
}

/// (1, 1) and (2, 3): b = 7/5, residuals −0.4 and 0.2, u² = 0.2/1/5. With u = 0.5 stated u² is
/// 0.25/5, of infinitely many degrees of freedom. About zero 1 − 0.2/10 is explained, and nothing
/// where there is one point or no y.
#[test]
fn two_points_make_a_line_through_the_origin() {
    let fit = |weights, scale| fit_through_origin(&[1.0, 2.0], &[1.0, 3.0], weights, scale);
    let got = fit(Weights::Equal, ScaleSource::Scatter).unwrap();
    near(got.slope, 1.4, 1e-12);
    near(got.slope_uncertainty, 0.2, 1e-12);
    near(got.r_squared_about_zero.unwrap(), 0.98, 1e-12);
    assert_eq!(got.degrees_of_freedom, Some(1.0));
    let stated = Weights::FromUncertainty(&[0.5; 2]);
    let got = fit(stated, ScaleSource::Stated).unwrap();
    near(got.slope_uncertainty, 0.05f64.sqrt(), 1e-12);
    assert_eq!(got.degrees_of_freedom, None);
    let one = Weights::FromUncertainty(&[0.5]);
    let got = fit_through_origin(&[1.0], &[1.0], one, ScaleSource::Stated).unwrap();
    assert_eq!(got.r_squared_about_zero, None);
    let flat = fit_through_origin(&[1.0, 2.0], &[0.0; 2], stated, ScaleSource::Stated).unwrap();
    assert_eq!(flat.r_squared_about_zero, None);
}

const X: [f64; 5] = [1.0, 2.0, 4.0, 7.0, 9.0];
const UX: [f64; 5] = [0.10, 0.05, 0.20, 0.15, 0.10];
const Y: [f64; 5] = [1.2, 6.1, 13.8, 29.5, 36.9];
const UY: [f64; 5] = [0.3, 0.5, 0.4, 0.9, 0.6];
const R: [f64; 5] = [0.5, -0.4, 0.7, 0.2, -0.6];

/// The least Σ(y − a − bx)²/(u_y² + b²u_x² − 2b·r·u_x·u_y), where its gradient is zero
/// (`scipy.optimize.root`, SciPy 1.17.1); the covariance that of least squares on line and true
/// points together at that line (inverse of the 7 × 7 normal equations, NumPy 2.4.6).
#[test]
fn a_line_through_correlated_points_is_that_of_scipy() {
    let check = |got: &YorkFit, scale: f64| {
        near(got.intercept, -3.321_625_438_398_14, 1e-10);
        near(got.slope, 4.508_552_062_717_734, 1e-10);
        near(got.chi_squared, 3.895_733_303_473_482_7, 1e-10);
        let [[aa, ab], [_, bb]] = got.covariance;
        near(aa, scale * 0.167_746_543_920_344_08, 1e-9);
        near(ab, scale * -0.032_861_902_558_630_265, 1e-9);
        near(bb, scale * 0.011_794_787_254_759_935, 1e-9);
    };
    let stated = fit_york(&X, &UX, &Y, &UY, Some(&R), ScaleSource::Stated).unwrap();
    check(&stated, 1.0);
    assert_eq!(stated.degrees_of_freedom, None);
    // χ² over three degrees of freedom where the scatter sets the scale.
    let scatter = fit_york(&X, &UX, &Y, &UY, Some(&R), ScaleSource::Scatter).unwrap();
    check(&scatter, 3.895_733_303_473_482_7 / 3.0);
    assert_eq!(scatter.degrees_of_freedom, Some(3.0));
    // Seen from the other axis it is the same line: slope 1/b, u²/b⁴, and χ² as it was.
    let other = fit_york(&Y, &UY, &X, &UX, Some(&R), ScaleSource::Stated).unwrap();
    near(other.slope, 1.0 / stated.slope, 1e-10);
    near(other.chi_squared, stated.chi_squared, 1e-10);
    let own = stated.covariance[1][1] / stated.slope.powi(4);
    near(other.covariance[1][1], own, 1e-9);
}

/// Points that are exact in y make the weighted line of x on y: slope 1/b, u/b². Three
/// points are enough for a scatter, two are not.
#[test]
fn points_exact_in_y_make_the_line_of_x_on_y() {
    let none = [0.0; 5];
    let got = fit_york(&X, &UX, &Y, &none, None, ScaleSource::Stated).unwrap();
    let line = fit_line(&Y, &X, Weights::FromUncertainty(&UX), ScaleSource::Stated).unwrap();
    near(got.slope, 1.0 / line.slope, 1e-12);
    near(got.intercept, -line.intercept / line.slope, 1e-12);
    let own = line.covariance[1][1] / line.slope.powi(4);
    near(got.covariance[1][1], own, 1e-10);
    let first = |n: usize| {
        let [x, ux, y, uy] = [&X, &UX, &Y, &UY].map(|all| &all[..n]);
        fit_york(x, ux, y, uy, None, ScaleSource::Scatter)
    };
    assert_eq!(first(3).unwrap().degrees_of_freedom, Some(1.0));
    let refused = first(2);
    assert_eq!(refused, Err(FitError::TooFewPoints { have: 2, need: 3 }));
}

/// Twice `scipy.stats.norm.cdf` of SciPy 1.17.1. A probability of 0 or 1 has no quantile.
#[test]
fn the_normal_distribution_is_that_of_scipy_far_into_its_tail() {
    for (z, p) in [
        (10.0, 7.619_853_024_160_47e-24),
        (-6.0, 9.865_876_450_376_946e-10),
        (0.5, 0.308_537_538_725_986_9),
        (0.0, 0.5),
    ] {
        near(t_two_sided_p_value(z, None).unwrap(), 2.0 * p, 1e-12);
    }
    let named = |what: &'static str, value: f64| Err(FitError::OutOfDomain { what, value });
    for p in [0.0, 1.0] {
        assert_eq!(t_quantile(p, Some(3.0)), named("p", p));
        assert_eq!(chi_squared_quantile(p, 3.0), named("p", p));
        assert_eq!(coverage_factor(p, Some(3.0)), named("level", p));
    }
}

/// χ² of two degrees of freedom is exceeded with exp(−χ²/2), and F of 2 and infinitely many is
/// χ²/2; nothing is exceeded always, and 1.96 either way by one in twenty.
#[test]
fn tails_without_a_residual_scatter_are_closed_forms() {
    near(f_p_value(4.0, 2.0, None).unwrap(), (-4f64).exp(), 1e-12);
    assert_eq!(f_p_value(0.0, 2.0, Some(3.0)), Ok(1.0));
    assert_eq!(chi_squared_p_value(0.0, 3.0), Ok(1.0));
    near(t_two_sided_p_value(NORMAL_95, None).unwrap(), 0.05, 1e-12);
}

/// On a plateau the slope is zero, though the harmonic mean of two zeros has none.
#[test]
fn a_plateau_stays_flat() {
    assert_eq!(inner_tangent(&[1.0, 2.0, 4.0], &[5.0; 3], 1), 0.0);
}

fn healthy() -> (Vec<CurveReading>, CurveSetup) {
    let readings: Vec<CurveReading> = [1.5, 2.0, 3.0, 4.5, 6.0, 8.0]
        .into_iter()
        .map(|width_ms| CurveReading {
            width_ms,
            pulses: 1000.0,
            delivered: 1000.0 * FLOW * (width_ms - 0.8),
            extra_variance: 0.0,
            period_ms: Some(20.0),
        })
        .collect();
    let setup = CurveSetup {
        grid: vec![2.0],
        nodes: vec![3.0],
        ..CurveSetup::of_division(100.0, 100.0, (2.0, 8.0), &readings)
    };
    (readings, setup)
}

/// Each number that no bench gives is refused by itself, all others being sound.
#[test]
fn a_curve_refuses_each_number_that_no_bench_gives() {
    let (readings, setup) = healthy();
    assert!(fit_curve(&readings, &setup).is_ok());
    let (inf, nan) = (f64::INFINITY, f64::NAN);
    let bad_reading: [fn(&mut CurveReading, f64); 5] = [
        |r, v| r.width_ms = v,
        |r, v| r.pulses = v,
        |r, v| r.period_ms = Some(v),
        |r, v| r.extra_variance = v - 1.0,
        |r, v| r.delivered = 1.0 / v,
    ];
    for (at, spoil) in bad_reading.into_iter().enumerate() {
        let values = if at == 4 { [0.0, nan] } else { [0.0, inf] };
        for value in values {
            let mut spoilt = readings.clone();
            spoil(&mut spoilt[3], value);
            let refused = fit_curve(&spoilt, &setup).err();
            assert_eq!(refused, Some(CurveError::BadReading { index: 3 }), "{at}");
        }
    }
    let misread = |prior, spread| Some(Misreading { prior, spread });
    let bad = [nan, -1.0, inf];
    let mut spoilt: Vec<CurveSetup> = Vec::new();
    let mut spoil = |change: &dyn Fn(&mut CurveSetup)| {
        let mut setup = setup.clone();
        change(&mut setup);
        spoilt.push(setup);
    };
    for value in bad {
        for scale in [
            Scale::about(value, 0.3, 0.0),
            Scale::about(1.0, value, 0.0),
            Scale::about(1.0, 0.3, value),
        ] {
            spoil(&|s| s.reading = scale);
            spoil(&|s| s.repeatability = scale);
            spoil(&|s| s.pulse_scatter = Some(scale));
        }
        spoil(&|s| s.offset_uncertainty = value);
        spoil(&|s| s.misreading = misread(0.02, value));
    }
    for range in [(0.0, 8.0), (2.0, 2.0), (2.0, inf)] {
        spoil(&|s| s.line_range = range);
    }
    for width in [0.0, inf] {
        spoil(&|s| s.grid[0] = width);
        spoil(&|s| s.nodes[0] = width);
    }
    for prior in [0.0, 1.0, nan] {
        spoil(&|s| s.misreading = misread(prior, 100.0));
    }
    spoil(&|s| s.offset_mean = nan);
    for setup in spoilt {
        let refused = fit_curve(&readings, &setup).err();
        assert_eq!(refused, Some(CurveError::BadSetup), "{setup:?}");
    }
}

/// Five decay times are tried, 0 to 4; a slope of zero carries no amplitude; two widths have no
/// curve.
#[test]
fn stated_scales_and_designs_out_of_bounds_are_refused() {
    let (readings, setup) = healthy();
    let posterior_of = |count: usize, decay_index: usize, slope: f64| {
        let scales = FixedScales {
            slope,
            dead_time_ms: 0.8,
            decay_index,
            slow_ms: 0.15,
            local_ms: 0.01,
            long_end_ms: 0.01,
            mean_ms: 0.0,
            reading: 40.0,
            repeatability: 0.003,
        };
        posterior_at(&readings[..count], &setup, &scales).err()
    };
    assert_eq!(posterior_of(3, 1, FLOW), None);
    let few = CurveError::TooFewWidths { have: 2, need: 3 };
    assert_eq!(posterior_of(2, 1, FLOW), Some(few));
    let posterior = |decay_index, slope| posterior_of(6, decay_index, slope);
    assert_eq!(posterior(4, FLOW), None);
    for refused in [
        posterior(5, FLOW),
        posterior(1, 0.0),
        posterior(1, f64::NAN),
    ] {
        assert_eq!(refused, Some(CurveError::BadSetup));
    }
    let design = |widths: &[f64], slope: f64, scales: [f64; 3], dead_time_ms: f64| {
        let widths: Vec<_> = widths.iter().map(|w| (*w, Some(20.0))).collect();
        let [reading, repeatability, pulse_scatter] = scales;
        let expected = Expected {
            slope,
            dead_time_ms,
            reading,
            repeatability,
            pulse_scatter,
        };
        CurveDesign::straight(&widths, &setup, expected)
    };
    let sound = [2.0, 3.0, 8.0];
    assert_eq!(
        design(&sound, FLOW, [0.0; 3], 0.8).map(|d| d.kinds()),
        Ok(1)
    );
    for refused in [
        design(&[2.0, 2.0, 3.0], FLOW, [0.0; 3], 0.8),
        design(&[2.0], FLOW, [0.0; 3], 0.8),
        design(&sound, 0.0, [0.0; 3], 0.8),
        design(&sound, FLOW, [-1.0, 0.0, 0.0], 0.8),
        design(&sound, FLOW, [0.0, -1.0, 0.0], 0.8),
        design(&sound, FLOW, [0.0, 0.0, -1.0], 0.8),
        design(&sound, FLOW, [0.0; 3], f64::NAN),
    ] {
        assert_eq!(refused.err(), Some(CurveError::BadSetup));
    }
}
