//! The main job as one function: captures in, characterisation file out.

mod open;

use std::collections::{BTreeSet, HashMap};

use rayon::prelude::*;
use serde_json::json;

use crate::capture::{Bench, CaptureFile, Fault, SetPoints, Source, read_captures};
use crate::characterisation::{Characterisation, Injector};
use crate::finding::{Finding, Kind, Place};
use crate::fit::{FitOptions, FittedCapture, FittedInjector, SweepFit, fit_capture};
use crate::matching::{
    Criterion, SetMatch, WantedPoint, compared_as_read, members_at, operating_points,
    qualify_effects, score,
};
use crate::surface::build;

/// What the user asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct Request {
    /// How to fit.
    pub fit: FitOptions,
    /// Where to compare; empty = three widths of the line range.
    pub points: Vec<WantedPoint>,
    /// What counts as matched.
    pub criterion: Criterion,
}

/// Reads, fits and matches captures.
///
/// # Errors
/// Every fault of every file.
pub fn characterise(
    files: &[CaptureFile],
    bench: Bench,
    set_points: SetPoints,
    request: &Request,
) -> Result<Characterisation, Vec<Fault>> {
    let capture = read_captures(files, bench, set_points)?;
    let FittedCapture { injectors, effects } = fit_capture(&capture, &request.fit);
    let sweeps = injectors
        .iter()
        .flat_map(|i| i.sweeps.iter().map(|s| (i.id.as_str(), s)));
    let set_match = match_latest(sweeps.collect(), &request.points, request.criterion);
    let mut findings = capture.findings.clone();
    if injectors.len() == 1 {
        findings.push(Finding::new(Kind::OneInjector, Place::default(), &[]));
    } else if set_match.is_none() {
        findings.push(Finding::new(Kind::NothingToCompare, Place::default(), &[]));
    }
    findings.extend(open::finding(&capture.bench, &injectors));
    for row in &request.fit.dropped {
        let drops = |s: &SweepFit| {
            s.points
                .iter()
                .any(|p| p.line == row.line && row.names(&p.source))
        };
        if !injectors.iter().flat_map(|i| &i.sweeps).any(drops) {
            let place = Place::row(&row.source, row.line);
            findings.push(Finding::new(Kind::DroppedNothing, place, &[]));
        }
    }
    let sources = count_used(capture.sources, &injectors);
    Ok(Characterisation {
        effects,
        injectors: with_checks(injectors, &capture.bench),
        bench: capture.bench,
        set_match,
        findings,
        ..Characterisation::blank(sources)
    })
}

/// Rows of which the figures use a reading, as the fits left it.
fn count_used(mut sources: Vec<Source>, injectors: &[FittedInjector]) -> Vec<Source> {
    for source in &mut sources {
        let mut lines: Vec<u64> = injectors
            .iter()
            .flat_map(|i| &i.sweeps)
            .flat_map(|s| &s.points)
            .filter(|p| p.source == source.name && (p.used || p.open_time_s.is_some()))
            .map(|p| p.line)
            .collect();
        lines.sort_unstable();
        lines.dedup();
        source.rows_used = lines.len() as u64;
    }
    sources
}

fn with_checks(injectors: Vec<FittedInjector>, bench: &Bench) -> Vec<Injector> {
    injectors
        .into_par_iter()
        .with_max_len(1)
        .map(|FittedInjector { id, sweeps }| {
            let checks = bench.injectors.iter().find(|c| c.id == id).cloned();
            // Without flow and dead time, or read in two bases, there is no surface;
            // the sweeps say why.
            let surface = build(&id, &sweeps, None).and_then(|s| s.stored()).ok();
            Injector {
                id,
                sweeps,
                surface,
                checks,
            }
        })
        .collect()
}

/// Scores the injectors of one or several characterisation files together, each file at
/// its last stage.
///
/// Of an injector that is in several files the last one counts, and a finding says so.
/// Effects of files that do not state one and the same bench are kept apart. `None` where
/// there is nothing to compare.
pub fn match_documents(
    documents: &[Characterisation],
    points: &[WantedPoint],
    criterion: Criterion,
) -> Option<SetMatch> {
    let mut documents = documents.to_vec();
    let told = keep_benches_apart(&mut documents);
    let fits = latest(&documents);
    let stage = fits.last()?.1.stage.clone();
    let stage = stage.filter(|s| fits.iter().all(|(_, f)| f.stage.as_ref() == Some(s)));
    let mut set = score_at(&fits, points, stage, criterion)?;
    set.findings.extend(told);
    set.findings.extend(in_several(&documents));
    Some(set)
}

/// (injector, sweep) of each file's last stage; of an injector in several files the last
/// one counts.
pub fn latest(documents: &[Characterisation]) -> Vec<(&str, &SweepFit)> {
    let mut last: HashMap<&str, usize> = HashMap::new();
    for (number, document) in documents.iter().enumerate() {
        last.extend(document.injectors.iter().map(|i| (i.id.as_str(), number)));
    }
    let mut fits = Vec::new();
    for (number, document) in documents.iter().enumerate() {
        let sweeps = document.injectors.iter().flat_map(|i| &i.sweeps);
        let stage = sweeps.last().and_then(|s| s.stage.clone());
        for injector in &document.injectors {
            if last[injector.id.as_str()] == number {
                let now = injector.sweeps.iter().filter(|s| s.stage == stage);
                fits.extend(now.map(|s| (injector.id.as_str(), s)));
            }
        }
    }
    fits
}

/// Renames the effects of files that do not state one and the same bench, so that an
/// effect of one bench is not taken for that of another; what was taken for granted.
pub fn keep_benches_apart(documents: &mut [Characterisation]) -> Vec<Finding> {
    if documents.len() < 2 {
        return Vec::new();
    }
    let mut benches: Vec<Bench> = Vec::new();
    let mut names = Vec::with_capacity(documents.len());
    let (mut unstated, mut alike) = (false, false);
    for document in documents.iter() {
        let bench = Bench {
            vessels: document.bench.vessels.clone(),
            supply: document.bench.supply.clone(),
            pressure: document.bench.pressure.clone(),
            ..Bench::default()
        };
        let known = benches.iter().position(|b| *b == bench);
        if bench == Bench::default() || known.is_none() {
            unstated |= bench == Bench::default();
            names.push(benches.len());
            benches.push(bench);
        } else if let Some(known) = known {
            alike = true;
            names.push(known);
        }
    }
    for (document, name) in documents.iter_mut().zip(names) {
        let sweeps = document.injectors.iter_mut().flat_map(|i| &mut i.sweeps);
        sweeps.for_each(|sweep| qualify_effects(sweep, &format!("bench {}", name + 1)));
    }
    [(unstated, Kind::BenchesApart), (alike, Kind::BenchesAlike)]
        .into_iter()
        .filter(|(told, _)| *told)
        .map(|(_, kind)| Finding::new(kind, Place::default(), &[]))
        .collect()
}

/// Injectors that are in more than one file.
fn in_several(documents: &[Characterisation]) -> Option<Finding> {
    let mut seen = BTreeSet::new();
    let mut several = BTreeSet::new();
    for id in documents
        .iter()
        .flat_map(|d| d.injectors.iter().map(|i| &i.id))
    {
        if !seen.insert(id) {
            several.insert(id);
        }
    }
    if several.is_empty() {
        return None;
    }
    let ids: Vec<&str> = several.iter().map(|id| id.as_str()).collect();
    let mut shown = ids[..ids.len().min(5)].join(", ");
    if ids.len() > 5 {
        shown.push_str(&format!(" and {} more", ids.len() - 5));
    }
    let facts = [("ids", json!(ids)), ("shown", json!(shown))];
    Some(Finding::new(
        Kind::InjectorInSeveralFiles,
        Place::default(),
        &facts,
    ))
}

/// Scores the set at its last stage: what the injectors are like now.
fn match_latest(
    mut fits: Vec<(&str, &SweepFit)>,
    points: &[WantedPoint],
    criterion: Criterion,
) -> Option<SetMatch> {
    let last_stage = fits.last()?.1.stage.clone();
    fits.retain(|(_, s)| s.stage == last_stage);
    score_at(&fits, points, last_stage, criterion)
}

fn score_at(
    fits: &[(&str, &SweepFit)],
    points: &[WantedPoint],
    stage: Option<String>,
    criterion: Criterion,
) -> Option<SetMatch> {
    let points = operating_points(fits, points);
    let as_read = compared_as_read(fits, &points);
    let members = members_at(fits, &points);
    let figures_wanted =
        criterion.flow_tolerance_percent.is_some() || criterion.dead_time_tolerance_us.is_some();
    // A line through as few widths is compared only where it is asked for by name.
    let lines = if as_read && !figures_wanted {
        &[]
    } else {
        fits
    };
    let mut set = score(&members, lines, points, stage, criterion)?;
    if as_read {
        let mut widths: Vec<f64> = set
            .operating_points
            .iter()
            .map(|p| p.pulse_width_ms)
            .collect();
        widths.sort_by(f64::total_cmp);
        widths.dedup();
        let shown: Vec<String> = widths.iter().map(f64::to_string).collect();
        set.findings.push(Finding::new(
            Kind::ComparedAsRead,
            Place::default(),
            &[("widths", json!(shown.join(" and ")))],
        ));
    }
    Some(set)
}
