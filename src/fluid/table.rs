//! The fluids known by name.

use super::combustion::{blend_ratio, stoichiometric_ratio};
use super::density::{Density, DensityLaw, ETHANOL, FluidError, KnownFluid};
use crate::capture::Fluid;

/// Names of the table, as shown in messages. Petrol and blends take a density at
/// 15 °C in front of an `@`-sign: `petrol@0.735`; blends are written `E10`, `E85`.
pub const KNOWN_NAMES: [&str; 8] = [
    "n-heptane",
    "water",
    "petrol",
    "E10",
    "E85",
    "ethanol",
    "methanol",
    "iso4113",
];

/// Temperature a density belongs to where nobody states one, °C.
const USUAL_TEMPERATURE: f64 = 20.0;
/// Petrol at 15 °C where its density is not stated, g/mL: EN 228:2012 allows 0.720
/// to 0.775, taken as a rectangle about a usual 0.745.
const PETROL_15: f64 = 0.745;
const PETROL_15_HALF_WIDTH: f64 = 0.0275;
/// Air that petrol needs: as the US Department of Energy's fuel property table prints it.
const PETROL_RATIO: f64 = 14.7;

const COOLPROP: &str = "cubic through CoolProp 8.0.0 (Helmholtz reference equations) at 5, 15, 30 and 40 °C, 101.325 kPa";

/// Looks a fluid up by name: letter case, blanks and hyphens do not matter.
///
/// `petrol`, `E10` … may carry the density at 15 °C of the finished petrol, as
/// `petrol@0.735`.
///
/// # Errors
/// [`FluidError::Unknown`] with the nearest known name.
pub fn test_fluid(name: &str) -> Result<KnownFluid, FluidError> {
    let (plain, stated) = match name.split_once('@') {
        Some((plain, density)) => (plain, density.trim().parse::<f64>().ok()),
        None => (name, None),
    };
    let key: String = plain
        .to_lowercase()
        .chars()
        .filter(|c| c.is_alphanumeric())
        .collect();
    if name.contains('@') && !stated.is_some_and(|d| (0.3..3.0).contains(&d)) {
        return Err(unknown(name, &key));
    }
    match key.as_str() {
        "nheptane" | "heptane" => Ok(pure(
            "n-heptane",
            DensityLaw::FourPoints {
                at_c: [5.0, 15.0, 30.0, 40.0],
                density: [0.696_371, 0.688_015, 0.675_362, 0.666_822],
            },
            1e-4,
            stoichiometric_ratio(7.0, 16.0, 0.0),
        )),
        "ethanol" => Ok(pure(
            "ethanol",
            ETHANOL,
            1e-4,
            stoichiometric_ratio(2.0, 6.0, 1.0),
        )),
        "methanol" => Ok(pure(
            "methanol",
            DensityLaw::FourPoints {
                at_c: [5.0, 15.0, 30.0, 40.0],
                density: [0.805_045, 0.795_691, 0.781_628, 0.772_169],
            },
            // Good sources differ by 0.05 %.
            3e-4,
            stoichiometric_ratio(1.0, 4.0, 1.0),
        )),
        "water" => Ok(KnownFluid {
            name: "water".to_owned(),
            law: DensityLaw::Water,
            density_uncertainty: 1e-5,
            source: "Tanaka and others, Metrologia 38 (2001) 301; air-free".to_owned(),
            assumptions: Vec::new(),
            stoichiometric_ratio: None,
        }),
        "iso4113" => Ok(KnownFluid {
            name: "ISO 4113 calibration fluid".to_owned(),
            law: DensityLaw::Stated {
                density: stated.unwrap_or(0.825),
                at_c: Some(15.0),
                expansion_per_k: None,
            },
            density_uncertainty: if stated.is_some() {
                5e-4
            } else {
                0.005 / 3f64.sqrt()
            },
            source: "0.820 to 0.830 g/mL at 15 °C (KS R ISO 4113:2012, extract)".to_owned(),
            assumptions: not_stated(
                stated,
                "0.825 g/mL at 15 °C, the middle of what the standard allows",
            ),
            stoichiometric_ratio: None,
        }),
        "petrol" | "gasoline" => Ok(petrol(stated)),
        _ => match ethanol_share(&key) {
            Some(share) => Ok(blend(share, stated)),
            None => Err(unknown(name, &key)),
        },
    }
}

fn unknown(name: &str, key: &str) -> FluidError {
    let near = KNOWN_NAMES
        .iter()
        .map(|known| (strsim::jaro_winkler(key, &known.to_lowercase()), known))
        .filter(|(score, _)| *score > 0.75)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, known)| (*known).to_owned());
    FluidError::Unknown {
        name: name.to_owned(),
        known: KNOWN_NAMES.join(", "),
        near,
    }
}

/// `e10` is a tenth of ethanol by volume.
fn ethanol_share(key: &str) -> Option<f64> {
    let percent: u32 = key.strip_prefix('e')?.parse().ok()?;
    (1..=99)
        .contains(&percent)
        .then(|| f64::from(percent) / 100.0)
}

fn pure(name: &str, law: DensityLaw, relative: f64, ratio: f64) -> KnownFluid {
    KnownFluid {
        name: name.to_owned(),
        law,
        // All of them lie near 0.7 to 0.8 g/mL.
        density_uncertainty: relative * 0.75,
        source: COOLPROP.to_owned(),
        assumptions: Vec::new(),
        stoichiometric_ratio: Some(ratio),
    }
}

fn not_stated(stated: Option<f64>, assumed: &str) -> Vec<String> {
    if stated.is_some() {
        Vec::new()
    } else {
        vec![format!("density not stated; {assumed}")]
    }
}

fn petrol(stated: Option<f64>) -> KnownFluid {
    KnownFluid {
        name: "petrol".to_owned(),
        law: DensityLaw::Petrol {
            density_15: stated.unwrap_or(PETROL_15),
        },
        density_uncertainty: stated.map_or(PETROL_15_HALF_WIDTH / 3f64.sqrt(), |_| 5e-4),
        source: "EN 228:2012 (0.720 to 0.775 g/mL at 15 °C); ASTM D1250 volume correction"
            .to_owned(),
        assumptions: not_stated(stated, "0.745 g/mL at 15 °C (EN 228 allows 0.720 to 0.775)"),
        stoichiometric_ratio: Some(PETROL_RATIO),
    }
}

/// `stated` is the density at 15 °C of the petrol in the blend.
fn blend(share: f64, stated: Option<f64>) -> KnownFluid {
    let plain = petrol(stated);
    let petrol_15 = stated.unwrap_or(PETROL_15);
    let mut assumptions = plain.assumptions;
    assumptions.push(format!(
        "{:.0} % ethanol by volume taken as named",
        100.0 * share
    ));
    // Ethanol at 15 °C, CoolProp 8.0.0.
    let ethanol_15 = 0.793_689;
    let mass_share = share * ethanol_15 / (share * ethanol_15 + (1.0 - share) * petrol_15);
    KnownFluid {
        name: format!("E{:.0}", 100.0 * share),
        law: DensityLaw::Blend {
            petrol_15,
            ethanol_share: share,
        },
        density_uncertainty: (1.0 - share) * plain.density_uncertainty,
        source: format!("{}; ethanol: {COOLPROP}", plain.source),
        assumptions,
        stoichiometric_ratio: Some(blend_ratio(
            mass_share,
            stoichiometric_ratio(2.0, 6.0, 1.0),
            PETROL_RATIO,
        )),
    }
}

/// Density of the bench's test fluid at `t_c` °C (its own temperature, else 20 °C,
/// where `None`): as stated in the bench file, else by name from the table.
///
/// # Errors
/// [`FluidError::NotStated`] where neither is there, [`FluidError::Unknown`] where
/// the name tells no density.
pub fn of_bench(fluid: Option<&Fluid>, t_c: Option<f64>) -> Result<Density, FluidError> {
    let fluid = fluid.ok_or(FluidError::NotStated)?;
    if let Some(density) = fluid.density {
        let known = KnownFluid {
            name: fluid
                .name
                .clone()
                .unwrap_or_else(|| "test fluid".to_owned()),
            law: DensityLaw::Stated {
                density,
                at_c: fluid.density_temperature_c,
                expansion_per_k: fluid.expansion_per_k,
            },
            // Read off a label or a hydrometer: a thousandth where nothing is stated.
            density_uncertainty: fluid.density_uncertainty.unwrap_or(1e-3 * density),
            source: "bench file".to_owned(),
            assumptions: if fluid.density_uncertainty.is_some() {
                Vec::new()
            } else {
                vec!["uncertainty of the density not stated; 0.1 % assumed".to_owned()]
            },
            stoichiometric_ratio: None,
        };
        let at = t_c.or(fluid.density_temperature_c);
        return known.density(at.unwrap_or(USUAL_TEMPERATURE));
    }
    let name = fluid.name.as_deref().ok_or(FluidError::NotStated)?;
    let known = test_fluid(name)?;
    let mut density = known.density(t_c.unwrap_or(USUAL_TEMPERATURE))?;
    density.assumptions.push(match t_c {
        Some(_) => format!("density of {} from the table, not measured", known.name),
        None => format!(
            "density of {} from the table at {USUAL_TEMPERATURE} °C, not measured",
            known.name
        ),
    });
    Ok(density)
}
