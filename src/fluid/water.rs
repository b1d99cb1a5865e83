//! Density of air-free water.

/// Density of air-free water at one atmosphere, g/mL, at `t_c` °C (0 to 40 °C).
///
/// *Method* (E1): ρ = a5·[1 − (t + a1)²·(t + a2) / (a3·(t + a4))].
/// *Source*: M. Tanaka, G. Girard, R. Davis, A. Peuto, N. Bignell, Metrologia 38
/// (2001) 301–309; coefficients from memory, checked against IAPWS-95 values
/// from two packages in `tests/it/fluid.rs`.
pub fn water_density(t_c: f64) -> f64 {
    const A1: f64 = -3.983_035;
    const A2: f64 = 301.797;
    const A3: f64 = 522_528.9;
    const A4: f64 = 69.348_81;
    const A5: f64 = 0.999_974_950;
    A5 * (1.0 - (t_c + A1).powi(2) * (t_c + A2) / (A3 * (t_c + A4)))
}
