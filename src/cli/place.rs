//! `place`: which injector into which cylinder, and the trims that are left.

use std::path::PathBuf;

use clap::Args;

use super::args::{quantity, wanted_point};
use super::stock::{Loaded, load, stock};
use super::{Failure, Outcome, line, print, print_json};
use crate::latest;
use crate::matching::{
    Cylinder, Placeable, PlaceableLine, Placement, WantedPoint, at_condition, operating_points,
    place,
};
use crate::units::Quantity;

pub(super) const HELP: &str = "\
Examples:
  meniscus place set.json --needs 1=0% --needs 2=+1.5% --needs 3=-1% --needs 4=0%
  meniscus place set.csv --lean 4

What a cylinder needs is against the mean of the engine: above zero where it runs lean on equal
injectors or breathes more. --lean NAME is a cylinder of which only that is known: it is taken to
need as much more as half the spread of the injectors.";

/// Arguments of `place`.
#[derive(Debug, Args)]
pub struct PlaceArgs {
    /// Characterisation files, captures, folders of them, or one plain table (CSV)
    #[arg(required = true, value_name = "SET")]
    pub set: Vec<PathBuf>,
    /// How captures in a foreign layout are read; `meniscus map` proposes the file
    #[arg(long, value_name = "FILE.toml")]
    pub map: Option<PathBuf>,
    /// Fuel that a cylinder needs against the mean (repeatable); others need the mean
    #[arg(long, value_parser = need, value_name = "3=+1.5%", allow_hyphen_values = true)]
    pub needs: Vec<(String, f64)>,
    /// Cylinder that runs lean, by how much is not known
    #[arg(long, value_name = "NAME", conflicts_with = "needs")]
    pub lean: Option<String>,
    /// Names of the cylinders, in order; else 1, 2, 3 …
    #[arg(long, value_delimiter = ',', value_name = "1,2,3,4")]
    pub cylinders: Vec<String>,
    /// Operating point to compare at (repeatable)
    #[arg(long, value_parser = wanted_point, value_name = "2ms,14V,300kPa")]
    pub at: Vec<WantedPoint>,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

fn need(text: &str) -> Result<(String, f64), String> {
    let (name, percent) = text
        .split_once('=')
        .ok_or("write cylinder and need as 3=+1.5%")?;
    let value = quantity(Quantity::Percent, percent.trim().trim_start_matches('+'))?;
    Ok((name.trim().to_owned(), value))
}

/// Runs the command.
pub(super) fn run(args: &PlaceArgs) -> Result<Outcome, Failure> {
    let loaded = load(&args.set, args.map.as_deref())?;
    let injectors = placeables(&loaded, &args.at)?;
    let cylinders = cylinders(args, &injectors)?;
    let placement = place(&injectors, &cylinders).map_err(|e| {
        Failure::other(
            e,
            "give one injector per cylinder, each measured at the operating points",
        )
    })?;
    if args.json {
        print_json(&placement)
    } else {
        print(&text(&placement))
    }
}

fn placeables(loaded: &Loaded, wanted: &[WantedPoint]) -> Result<Vec<Placeable>, Failure> {
    let stock = stock(loaded, wanted)?;
    if let Some(left_out) = stock.left_out().first() {
        return Err(Failure::other(
            format!(
                "injector {} was not measured at {}",
                left_out.injector,
                left_out.missing_at.join(", ")
            ),
            "choose operating points that all were measured at, or leave the injector out",
        ));
    }
    let line_of = |id: &str| -> Option<PlaceableLine> {
        let Loaded::Documents(documents, _) = loaded else {
            return None;
        };
        let fits = latest(documents);
        let points = operating_points(&fits, wanted);
        let at = points.first()?;
        // A trim in time belongs to one voltage and pressure.
        if !points
            .iter()
            .all(|p| (p.voltage_v, p.pressure_kpa) == (at.voltage_v, at.pressure_kpa))
        {
            return None;
        }
        let here = |(i, s): &&(&str, &crate::fit::SweepFit)| {
            *i == id && at_condition(s, at.voltage_v, at.pressure_kpa)
        };
        let sweep = fits.iter().rev().find(here)?.1;
        Some(PlaceableLine {
            slope: sweep.slope.as_ref()?.value,
            dead_time_ms: sweep.dead_time.as_ref()?.value,
            curve: sweep.delivery.clone()?,
            pulse_widths_ms: points.iter().map(|p| p.pulse_width_ms).collect(),
        })
    };
    Ok(stock
        .items()
        .iter()
        .map(|item| Placeable {
            injector: item.injector.clone(),
            delivered: item.amounts.iter().map(|a| a.value).collect(),
            line: line_of(&item.injector),
        })
        .collect())
}

fn cylinders(args: &PlaceArgs, injectors: &[Placeable]) -> Result<Vec<Cylinder>, Failure> {
    let names = if args.cylinders.is_empty() {
        (1..=injectors.len()).map(|n| n.to_string()).collect()
    } else {
        args.cylinders.clone()
    };
    let stated = args.needs.iter().map(|(name, _)| name).chain(&args.lean);
    if let Some(unknown) = stated.into_iter().find(|name| !names.contains(name)) {
        return Err(Failure::other(
            format!("no cylinder is called {unknown}"),
            &format!(
                "the cylinders are {}; --cylinders names them",
                names.join(", ")
            ),
        ));
    }
    let lean_percent = crate::matching::half_spread_percent(injectors);
    Ok(names
        .into_iter()
        .map(|name| {
            let stated = args
                .needs
                .iter()
                .rev()
                .find(|(n, _)| *n == name)
                .map(|(_, percent)| *percent);
            let lean = (args.lean.as_ref() == Some(&name)).then_some(lean_percent);
            Cylinder {
                needs_percent: stated.or(lean).unwrap_or(0.0),
                name,
            }
        })
        .collect())
}

fn text(placement: &Placement) -> String {
    let mut text = format!(
        "Worst mixture error {:.2} % (as given {:.2} %); no other assignment is better\n\
         cylinder  injector  mixture error, %  trim: fuel x, %  trim: add, us  left, %\n",
        placement.worst_percent, placement.worst_as_given_percent
    );
    let largest = |errors: &[f64]| {
        errors
            .iter()
            .copied()
            .max_by(|a, b| a.abs().total_cmp(&b.abs()))
            .unwrap_or(0.0)
    };
    let mut outside = false;
    for placed in &placement.placed {
        let known: Vec<f64> = placed.left_percent.iter().copied().flatten().collect();
        let mark = if known.len() < placed.left_percent.len() {
            "*"
        } else {
            ""
        };
        outside |= !mark.is_empty();
        let left = if known.is_empty() {
            "unknown".to_owned()
        } else {
            format!("{:+.2}{mark}", largest(&known))
        };
        let add = placed
            .add_us
            .map_or_else(|| "-".to_owned(), |us| format!("{us:+.0}"));
        let row = format_args!(
            "{:<8}  {:<8}  {:>16}  {:>15}  {:>13}  {:>7}",
            placed.cylinder,
            placed.injector,
            format!("{:+.2}", largest(&placed.mixture_error_percent)),
            format!("{:+.2}", placed.multiply_percent),
            add,
            left
        );
        line(&mut text, row);
    }
    text.push_str("Mixture error: fuel against need, above zero is rich; the worst operating point is shown.\n");
    if outside {
        text.push_str(
            "*  at one operating point the trimmed pulse width lies outside what was measured.\n",
        );
    }
    text.push_str("Next: enter the trims, then verify the mixture on the running engine with a calibrated sensor\n");
    text
}
