//! `pick`: the most alike injectors of a stock, or the stock sorted into sets.

use std::path::PathBuf;

use clap::Args;
use serde_json::json;

use super::args::{percent, risk, wanted_point};
use super::progress::during;
use super::stock::{load, stock};
use super::{Failure, Outcome, json_text, line, print_data};
use crate::finding::Finding;
use crate::matching::{
    ManySets, Near, NearFigure, Pick, PickError, PickRequest, PickedSet, SetsRequest, Stock,
    WantedPoint, pick, pick_sets,
};
use crate::units::{Quantity, parse};

pub(super) const HELP: &str = "\
Examples:
  meniscus pick --size 8 stock.csv
  meniscus pick --size 6 files/ --at 2ms,14V,300kPa --at 8ms,14V,300kPa
  meniscus pick --size 4 stock.csv --require A3 --exclude B1 --near 420cc/min
  meniscus pick --size 8 stock.csv --sets --tolerance 2%

A plain table has a column injector and one column per operating point; u_NAME holds the standard
uncertainty of column NAME. Spread is (max - min)/mean at the worst operating point.";

/// Arguments of `pick`.
#[derive(Debug, Args)]
pub struct PickArgs {
    /// Characterisation files, captures, folders of them, or one plain table (CSV)
    #[arg(required = true, value_name = "STOCK")]
    pub stock: Vec<PathBuf>,
    /// How captures in a foreign layout are read; `meniscus map` proposes the file
    #[arg(long, value_name = "FILE.toml")]
    pub map: Option<PathBuf>,
    /// Injectors in a set
    #[arg(long, value_name = "K")]
    pub size: usize,
    /// As many sets as the tolerance allows
    #[arg(long, requires = "tolerance", conflicts_with_all = ["require", "near"])]
    pub sets: bool,
    /// Largest spread of a set
    #[arg(long, value_parser = percent, value_name = "2%")]
    pub tolerance: Option<f64>,
    /// Risk of the bounds
    #[arg(long, value_parser = risk, default_value = "5%", value_name = "PERCENT")]
    pub risk: f64,
    /// Injector that must be in the set (repeatable)
    #[arg(long, value_name = "ID")]
    pub require: Vec<String>,
    /// Injector that must not (repeatable)
    #[arg(long, value_name = "ID")]
    pub exclude: Vec<String>,
    /// Only injectors near this: a flow with its unit, or COLUMN=NUMBER of a plain table
    #[arg(long, value_parser = near, value_name = "420cc/min")]
    pub near: Option<(NearFigure, f64)>,
    /// How near
    #[arg(long, value_parser = percent, default_value = "5%", value_name = "PERCENT", requires = "near")]
    pub within: f64,
    /// Operating point to compare at (repeatable)
    #[arg(long, value_parser = wanted_point, value_name = "2ms,14V,300kPa")]
    pub at: Vec<WantedPoint>,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

fn near(text: &str) -> Result<(NearFigure, f64), String> {
    if let Some((column, number)) = text.split_once('=') {
        let value: f64 = number
            .trim()
            .parse()
            .map_err(|_| format!("`{number}` is not a number"))?;
        return positive(text, NearFigure::Point(column.trim().to_lowercase()), value);
    }
    let flow = parse(Quantity::VolumeFlow, text).or_else(|_| parse(Quantity::MassFlow, text));
    let value = flow.map_err(|_| {
        format!("`{text}`: write a flow with its unit, as 420cc/min, or COLUMN=NUMBER")
    })?;
    positive(text, NearFigure::Flow, value)
}

fn positive(text: &str, figure: NearFigure, value: f64) -> Result<(NearFigure, f64), String> {
    if value > 0.0 && value.is_finite() {
        Ok((figure, value))
    } else {
        Err(format!("`{text}` must be above zero"))
    }
}

/// Runs the command.
pub(super) fn run(args: &PickArgs) -> Result<Outcome, Failure> {
    let loaded = load(&args.stock, args.map.as_deref())?;
    let stock = stock(&loaded, &args.at)?;
    if args.sets {
        many(args, &stock, loaded.told())
    } else {
        one(args, &stock, loaded.told())
    }
}

fn refused(error: PickError) -> Failure {
    let hint = error.hint();
    Failure::other(error, &hint)
}

fn one(args: &PickArgs, stock: &Stock, told: &[Finding]) -> Result<Outcome, Failure> {
    let request = PickRequest {
        require: args.require.clone(),
        exclude: args.exclude.clone(),
        near: args.near.clone().map(|(figure, target)| Near {
            figure,
            target,
            within_percent: args.within,
        }),
        risk_percent: args.risk,
        ..PickRequest::new(args.size)
    };
    let mut answer = pick(stock, &request).map_err(refused)?;
    answer.findings.extend_from_slice(told);
    let shown = if args.json {
        json_text(&pick_json(stock, &answer))?
    } else {
        pick_text(stock, &answer, args.tolerance, args.risk)
    };
    print_data(&shown)?;
    Ok(match args.tolerance {
        // Where the readings state no doubt, the measured spread is all there is.
        Some(tolerance)
            if answer
                .best
                .spread_upper_percent
                .unwrap_or(answer.best.spread_percent)
                > tolerance =>
        {
            Outcome::CriterionFailed
        }
        _ => Outcome::Done,
    })
}

fn many(args: &PickArgs, stock: &Stock, told: &[Finding]) -> Result<Outcome, Failure> {
    let request = SetsRequest {
        exclude: args.exclude.clone(),
        risk_percent: args.risk,
        // The option requires a tolerance.
        ..SetsRequest::new(args.size, args.tolerance.unwrap_or(f64::MIN_POSITIVE))
    };
    let answer = during("sorting into sets", || pick_sets(stock, &request)).map_err(refused)?;
    let shown = if args.json {
        json_text(&sets_json(stock, &answer, told))?
    } else {
        sets_text(stock, &answer, &request, told)
    };
    print_data(&shown)?;
    Ok(if answer.sets.is_empty() {
        Outcome::CriterionFailed
    } else {
        Outcome::Done
    })
}

fn left_out_json(stock: &Stock) -> serde_json::Value {
    let entry =
        |l: &crate::matching::LeftOut| json!({"injector": l.injector, "missing_at": l.missing_at});
    stock.left_out().iter().map(entry).collect()
}

fn pick_json(stock: &Stock, answer: &Pick) -> serde_json::Value {
    let bound = (!answer.best.proved_best)
        .then(|| json!({"spread_at_least_percent": answer.best.spread_at_least_percent}));
    json!({
        "sets": [answer.best],
        "bound": bound,
        "left_over": answer.left_over,
        "operating_points": stock.points(),
        "runners_up": answer.runners_up,
        "lead": answer.lead,
        "cannot_be_picked": left_out_json(stock),
        "findings": answer.findings,
    })
}

fn sets_json(stock: &Stock, answer: &ManySets, told: &[Finding]) -> serde_json::Value {
    json!({
        "sets": answer.sets,
        "bound": answer.bound,
        "left_over": answer.left_over,
        "operating_points": stock.points(),
        "best_left_over": answer.best_left_over.as_ref().map(|p| &p.best),
        "cannot_be_picked": left_out_json(stock),
        "findings": told,
    })
}

fn pick_text(stock: &Stock, answer: &Pick, tolerance: Option<f64>, risk: f64) -> String {
    let best = &answer.best;
    let mut text = String::new();
    let proof = match best.spread_at_least_percent {
        Some(at_least) if !best.proved_best => format!("best found; none is below {at_least:.3} %"),
        _ => "proved best".to_owned(),
    };
    line(
        &mut text,
        format_args!(
            "Best {} of {}: spread {:.3} % at {} ({proof})",
            best.injectors.len(),
            stock.items().len(),
            best.spread_percent,
            best.worst_point
        ),
    );
    line(&mut text, format_args!("  {}", best.injectors.join(" ")));
    let by_point: Vec<String> = stock
        .points()
        .iter()
        .zip(&best.spread_by_point_percent)
        .map(|(p, s)| format!("{p} {s:.3} %"))
        .collect();
    line(
        &mut text,
        format_args!("  by operating point: {}", by_point.join("; ")),
    );
    if let Some(range) = best.dead_time_range_us {
        line(&mut text, format_args!("  dead times within {range:.0} µs"));
    }
    match best.spread_upper_percent {
        Some(upper) => line(
            &mut text,
            format_args!(
                "  true spread at most {upper:.2} % (risk {risk} %, whichever set is picked)"
            ),
        ),
        None => line(
            &mut text,
            format_args!("  true spread unknown: the readings state no uncertainty"),
        ),
    }
    for second in &answer.runners_up {
        line(
            &mut text,
            format_args!(
                "Runner-up: spread {:.3} %, {}",
                second.spread_percent,
                exchange(best, second)
            ),
        );
    }
    notes(&mut text, stock, &answer.findings);
    let next = match (tolerance, best.spread_upper_percent) {
        (Some(t), Some(upper)) if upper > t => format!(
            "a true spread within {t} % is not shown; measure the set again with more pulses"
        ),
        (Some(t), None) if best.spread_percent > t => {
            format!("no set is within {t} %: a smaller set, or a larger stock")
        }
        _ => "meniscus place, for the cylinders".to_owned(),
    };
    line(&mut text, format_args!("Next: {next}"));
    text
}

/// How another set differs.
fn exchange(best: &PickedSet, other: &PickedSet) -> String {
    let missing = |a: &PickedSet, b: &PickedSet| -> String {
        let ids: Vec<&str> = a
            .injectors
            .iter()
            .filter(|i| !b.injectors.contains(i))
            .map(String::as_str)
            .collect();
        ids.join(" ")
    };
    format!(
        "{} instead of {}",
        missing(other, best),
        missing(best, other)
    )
}

fn sets_text(stock: &Stock, answer: &ManySets, request: &SetsRequest, told: &[Finding]) -> String {
    let mut text = String::new();
    let bound = &answer.bound;
    let proof = if bound.proved_most {
        "proved: no more can be had".to_owned()
    } else {
        format!(
            "at most {} can be had, gap {:.1} %",
            bound.sets_at_most, bound.gap_percent
        )
    };
    line(
        &mut text,
        format_args!(
            "{} sets of {} within {} % from {} injectors ({proof})",
            answer.sets.len(),
            request.size,
            request.tolerance_percent,
            stock.items().len()
        ),
    );
    for (number, set) in answer.sets.iter().enumerate() {
        let upper = set
            .spread_upper_percent
            .map_or_else(String::new, |u| format!(", true spread at most {u:.2} %"));
        line(
            &mut text,
            format_args!(
                "  {:>3}  {:.3} %{upper}: {}",
                number + 1,
                set.spread_percent,
                set.injectors.join(" ")
            ),
        );
    }
    line(
        &mut text,
        format_args!("Left over: {}", answer.left_over.len()),
    );
    if let Some(best) = &answer.best_left_over {
        line(
            &mut text,
            format_args!(
                "  best of those: {:.3} %: {}",
                best.best.spread_percent,
                best.best.injectors.join(" ")
            ),
        );
    }
    notes(&mut text, stock, told);
    line(
        &mut text,
        format_args!("Next: meniscus place, for the cylinders of each set"),
    );
    text
}

fn notes(text: &mut String, stock: &Stock, findings: &[Finding]) {
    for left_out in stock.left_out() {
        line(
            text,
            format_args!(
                "Left out: {}, nothing known at {}",
                left_out.injector,
                left_out.missing_at.join(", ")
            ),
        );
    }
    for finding in findings {
        line(
            text,
            format_args!("Note: {}; {}", finding.text, finding.advice),
        );
    }
}
