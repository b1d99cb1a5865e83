//! The main job as one function: captures in, characterisation file out.

use crate::capture::{Bench, Capture, CaptureFile, Fault, SetPoints, read_captures};
use crate::characterisation::{Characterisation, Injector};
use crate::finding::{Finding, Kind, Place};
use crate::fit::{FitOptions, FittedInjector, SweepFit, fit_capture, shared_effects};
use crate::matching::{Criterion, SetMatch, WantedPoint, members_at, operating_points, score};

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
    let injectors = fit_capture(&capture, &request.fit);
    let sweeps = injectors
        .iter()
        .flat_map(|i| i.sweeps.iter().map(|s| (i.id.as_str(), s)));
    let set_match = match_latest(sweeps.collect(), &request.points, request.criterion);
    let mut findings = capture.findings.clone();
    if injectors.len() == 1 {
        findings.push(Finding::new(Kind::OneInjector, Place::default(), &[]));
    }
    Ok(Characterisation {
        effects: shared_effects(&capture),
        injectors: with_checks(injectors, &capture),
        bench: capture.bench,
        set_match,
        findings,
        ..Characterisation::blank(capture.sources)
    })
}

fn with_checks(injectors: Vec<FittedInjector>, capture: &Capture) -> Vec<Injector> {
    injectors
        .into_iter()
        .map(|FittedInjector { id, sweeps }| {
            let checks = capture.bench.injectors.iter().find(|c| c.id == id).cloned();
            Injector { id, sweeps, checks }
        })
        .collect()
}

/// Scores the injectors of one or several characterisation files together.
///
/// Of an injector that is in several files the last one counts. `None` where
/// there is nothing to compare.
pub fn match_documents(
    documents: &[Characterisation],
    points: &[WantedPoint],
    criterion: Criterion,
) -> Option<SetMatch> {
    let sweeps = documents
        .iter()
        .flat_map(|d| &d.injectors)
        .flat_map(|i| i.sweeps.iter().map(|s| (i.id.as_str(), s)));
    match_latest(sweeps.collect(), points, criterion)
}

/// Scores the set at its last stage: what the injectors are like now.
fn match_latest(
    mut fits: Vec<(&str, &SweepFit)>,
    points: &[WantedPoint],
    criterion: Criterion,
) -> Option<SetMatch> {
    let last_stage = fits.last()?.1.stage.clone();
    fits.retain(|(_, s)| s.stage == last_stage);
    let points = operating_points(&fits, points);
    let members = members_at(&fits, &points);
    score(&members, points, last_stage, criterion)
}
