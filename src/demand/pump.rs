//! What a fuel pump gives against pressure.

use thiserror::Error;

use crate::units::{Quantity, parse};

/// Flow of a pump at rising pressures.
#[derive(Debug, Clone, PartialEq)]
pub struct PumpCurve {
    /// (gauge pressure kPa, flow mm³/ms), pressures rising strictly.
    points: Vec<(f64, f64)>,
}

/// Why a text is not a pump curve.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum PumpError {
    /// The header does not name pressure and flow with their units.
    #[error(
        "line {line}: the header must name `pressure_…` and `flow_…` with their units, as `pressure_kpa,flow_l/h`; found `{found}`"
    )]
    Header {
        /// Line, from 1.
        line: usize,
        /// What was found.
        found: String,
    },
    /// A cell is not a number, or not above zero.
    #[error("line {line}: `{found}` is not a {expected}")]
    Cell {
        /// Line, from 1.
        line: usize,
        /// What was found.
        found: String,
        /// What was expected.
        expected: &'static str,
    },
    /// Fewer than two points.
    #[error("a pump curve needs two points or more")]
    TooFew,
    /// One pressure twice.
    #[error("pressure {kpa} kPa stands twice")]
    Twice {
        /// Which, kPa.
        kpa: f64,
    },
}

/// Reads a pump curve: CSV with a header as `pressure_kpa,flow_l/h`; `#` lines are
/// comments; comma or semicolon.
///
/// # Errors
/// [`PumpError`], with the line.
pub fn read_pump_curve(text: &str) -> Result<PumpCurve, PumpError> {
    let mut lines = text
        .lines()
        .enumerate()
        .map(|(i, l)| (i + 1, l.trim().trim_start_matches('\u{feff}')))
        .filter(|(_, l)| !l.is_empty() && !l.starts_with('#'));
    let (line, header) = lines.next().ok_or(PumpError::TooFew)?;
    let separator = if header.contains(';') { ';' } else { ',' };
    let names: Vec<String> = header
        .split(separator)
        .map(|c| c.trim().to_lowercase())
        .collect();
    let find = |prefix: &str| {
        names
            .iter()
            .position(|n| n.starts_with(prefix))
            .map(|i| (i, names[i][prefix.len()..].to_owned()))
    };
    let wrong = || PumpError::Header {
        line,
        found: header.to_owned(),
    };
    let (pressure, pressure_unit) = find("pressure_").ok_or_else(wrong)?;
    let (flow, flow_unit) = find("flow_").ok_or_else(wrong)?;
    let known = |quantity: Quantity, unit: &str| parse(quantity, &format!("1 {unit}")).is_ok();
    if !known(Quantity::Pressure, &pressure_unit) || !known(Quantity::VolumeFlow, &flow_unit) {
        return Err(wrong());
    }
    let mut points = Vec::new();
    for (line, row) in lines {
        let cells: Vec<&str> = row.split(separator).map(str::trim).collect();
        let read = |index: usize, quantity, unit: &str, expected| {
            let found = cells.get(index).copied().unwrap_or_default();
            parse(quantity, &format!("{found} {unit}"))
                .ok()
                .filter(|x| *x >= 0.0)
                .ok_or_else(|| PumpError::Cell {
                    line,
                    found: found.to_owned(),
                    expected,
                })
        };
        points.push((
            read(pressure, Quantity::Pressure, &pressure_unit, "pressure")?,
            read(flow, Quantity::VolumeFlow, &flow_unit, "flow")?,
        ));
    }
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    if let Some(pair) = points.windows(2).find(|p| p[0].0 == p[1].0) {
        return Err(PumpError::Twice { kpa: pair[0].0 });
    }
    if points.len() < 2 {
        return Err(PumpError::TooFew);
    }
    Ok(PumpCurve { points })
}

impl PumpCurve {
    /// Flow at a gauge pressure, mm³/ms: straight lines between the points;
    /// `None` outside them.
    pub fn at(&self, kpa: f64) -> Option<f64> {
        self.points
            .windows(2)
            .find(|p| (p[0].0..=p[1].0).contains(&kpa))
            .map(|p| {
                let t = (kpa - p[0].0) / (p[1].0 - p[0].0);
                p[0].1 + t * (p[1].1 - p[0].1)
            })
    }

    /// Lowest and highest pressure of the curve, kPa.
    pub fn range_kpa(&self) -> [f64; 2] {
        [self.points[0].0, self.points[self.points.len() - 1].0]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pump_curve_is_read_in_its_units() {
        let curve = read_pump_curve("# made up\npressure_bar,flow_l/h\n3,180\n4,144\n").unwrap();
        // 162 L/h = 45 cm³/s = 45 mm³/ms
        assert!((curve.at(350.0).unwrap() - 45.0).abs() < 1e-9);
        assert_eq!(curve.at(450.0), None);
        assert_eq!(curve.range_kpa(), [300.0, 400.0]);
        assert!(matches!(
            read_pump_curve("kpa,l/h\n1,2\n"),
            Err(PumpError::Header { line: 1, .. })
        ));
        assert!(matches!(
            read_pump_curve("pressure_kpa,flow_l/h\n300,180\n400,x\n"),
            Err(PumpError::Cell { line: 3, .. })
        ));
        assert!(matches!(
            read_pump_curve("pressure_kpa,flow_l/h\n300,180\n"),
            Err(PumpError::TooFew)
        ));
    }
}
