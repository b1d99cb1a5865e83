//! The least doubt for each bench time at one condition.

use super::condition::{Condition, DUTIES, Halves};
use super::exchange::{exchange, spent};
use super::promise;
use super::request::{PlanError, Request, Wish};
use super::vessel::Rig;

/// Each step allows this much more time than the one before.
const STEP: f64 = 1.1;
/// At which steps the fit is asked how wide its intervals become: often while
/// readings are few and the scales ill known, then every tenth.
const ANCHORS: [usize; 10] = [0, 1, 2, 3, 4, 6, 8, 11, 15, 21];
const ANCHOR: usize = 10;
/// Half-widths that are weighed against each other where only a time is stated, and
/// that break ties: dead time, µs, and flow, percent.
const USUAL_WISH: (f64, f64) = (15.0, 0.5);
/// Weight of the tie-breaker.
const TIE: f64 = 0.03;
/// Longest run at one condition that is looked into, s.
pub(super) const MOST_S: f64 = 6.0 * 3600.0;

/// What counts, as a single number: wanted is what is at most one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Score {
    dead_time_us: Option<f64>,
    flow_percent: Option<f64>,
}

impl Score {
    /// Of a wish; without a wanted doubt both usual half-widths count alike.
    pub fn of(wish: &Wish) -> Self {
        if wish.dead_time_us.is_none() && wish.flow_percent.is_none() {
            return Self {
                dead_time_us: Some(USUAL_WISH.0),
                flow_percent: Some(USUAL_WISH.1),
            };
        }
        Self {
            dead_time_us: wish.dead_time_us,
            flow_percent: wish.flow_percent,
        }
    }

    /// The largest of doubt over wanted doubt.
    pub fn value(&self, halves: &Halves) -> f64 {
        let x = self.dead_time_us.map_or(0.0, |w| halves.dead_time_us / w);
        let s = self.flow_percent.map_or(0.0, |w| halves.flow_percent / w);
        x.max(s)
    }

    /// The same with a little of both, so that what is not asked for is not thrown away.
    fn criterion(&self, halves: &Halves) -> f64 {
        let scale = self.dead_time_us.map_or_else(
            || self.flow_percent.map_or(1.0, |w| USUAL_WISH.1 / w),
            |w| USUAL_WISH.0 / w,
        );
        let rest = halves.dead_time_us / USUAL_WISH.0 + halves.flow_percent / USUAL_WISH.1;
        self.value(halves) + TIE * scale * rest
    }

    /// In words, what the design is c-optimal for.
    pub fn words(&self) -> &'static str {
        match (self.dead_time_us, self.flow_percent) {
            (Some(_), Some(_)) => {
                "the larger of dead time's and flow's doubt over its wanted doubt"
            }
            (Some(_), None) => "dead time",
            (None, _) => "flow",
        }
    }
}

/// A design with what it takes and promises.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Step {
    pub time_s: f64,
    pub counts: Vec<u32>,
    pub halves: Halves,
}

/// A condition with its steps, time rising and score falling.
pub(super) struct Frontier {
    pub condition: Condition,
    pub steps: Vec<Step>,
    pub score: Score,
}

impl Frontier {
    /// Builds the steps until the score is met or the time is used up.
    ///
    /// `enough`: bench time up to which steps are wanted even when the score is met.
    pub fn new(
        request: &Request,
        rig: &Rig,
        at: (f64, f64),
        enough_s: f64,
        most_s: f64,
    ) -> Result<Self, PlanError> {
        let score = Score::of(&request.wish);
        let condition = best_period(request, rig, at, &score)?;
        let designs = designs(&condition, &score, enough_s, most_s);
        let anchors = anchors(&condition, rig, &designs);
        let mut steps: Vec<Step> = Vec::new();
        for (k, (counts, time_s)) in designs.into_iter().enumerate() {
            let Some(doubt) = condition.design.doubt(&condition.cells(&counts)) else {
                continue;
            };
            let halves = Halves::of(&doubt, between(&anchors, k), condition.floors);
            // More time never promises more: where it would, the shorter run stands.
            let last = steps
                .last()
                .map_or(f64::INFINITY, |s| score.value(&s.halves));
            if score.value(&halves) < last {
                steps.push(Step {
                    time_s,
                    counts,
                    halves,
                });
            }
        }
        if steps.is_empty() {
            return Err(PlanError::TooLittleFlow {
                voltage_v: at.0,
                pressure_kpa: at.1,
            });
        }
        Ok(Self {
            condition,
            steps,
            score,
        })
    }

    /// The first step that meets a score.
    pub fn reaching(&self, score: f64) -> Option<&Step> {
        self.steps
            .iter()
            .find(|s| self.score.value(&s.halves) <= score)
    }

    /// The last step within a time.
    pub fn within(&self, time_s: f64) -> Option<&Step> {
        self.steps.iter().rev().find(|s| s.time_s <= time_s)
    }
}

/// Score of the bare design, without factors.
fn bare(condition: &Condition, score: &Score, counts: &[u32]) -> f64 {
    if !condition.acceptable(counts) {
        return f64::INFINITY;
    }
    condition
        .design
        .doubt(&condition.cells(counts))
        .map_or(f64::INFINITY, |d| {
            score.criterion(&Halves::of(&d, (1.0, 1.0), condition.floors))
        })
}

/// Of the periods that keep the duty below its limit, the one whose short run is best.
fn best_period(
    request: &Request,
    rig: &Rig,
    at: (f64, f64),
    score: &Score,
) -> Result<Condition, PlanError> {
    let mut best: Option<(Condition, f64)> = None;
    let mut first_error = None;
    let mut budget = 0.0;
    for duty in DUTIES {
        let condition = match Condition::new(request, rig, at, duty) {
            Ok(condition) => condition,
            Err(error) => {
                first_error.get_or_insert(error);
                continue;
            }
        };
        let costs = condition.costs();
        let least = condition.least();
        if budget == 0.0 {
            budget = 2.5 * spent(&costs, &least);
        }
        let counts = exchange(&costs, least, budget, |c| bare(&condition, score, c));
        let value = bare(&condition, score, &counts);
        let same = best
            .as_ref()
            .is_some_and(|b| b.0.period_ms == condition.period_ms);
        if !same && best.as_ref().is_none_or(|b| value < b.1) {
            best = Some((condition, value));
        }
    }
    match (best, first_error) {
        (Some((condition, _)), _) => Ok(condition),
        (None, Some(error)) => Err(error),
        (None, None) => Err(PlanError::NothingWanted),
    }
}

/// Designs of growing time, each from the one before.
fn designs(
    condition: &Condition,
    score: &Score,
    enough_s: f64,
    most_s: f64,
) -> Vec<(Vec<u32>, f64)> {
    let costs = condition.costs();
    let mut counts = condition.least();
    let mut budget = spent(&costs, &counts);
    let mut out: Vec<(Vec<u32>, f64)> = Vec::new();
    loop {
        counts = exchange(&costs, counts, budget, |c| bare(condition, score, c));
        let time = spent(&costs, &counts);
        if out.last().is_none_or(|last| last.0 != counts) {
            out.push((counts.clone(), time));
        }
        // The fit's intervals are wider than the bare design's by less than three.
        let met = bare(condition, score, &counts) < 0.33;
        if budget >= most_s || (met && budget >= enough_s) {
            return out;
        }
        budget = (budget * STEP).min(most_s);
    }
}

/// The fit's factors at some of the designs.
fn anchors(
    condition: &Condition,
    rig: &Rig,
    designs: &[(Vec<u32>, f64)],
) -> Vec<(usize, (f64, f64))> {
    let last = designs.len() - 1;
    let later = (3 * ANCHOR..designs.len()).step_by(ANCHOR);
    let mut at: Vec<usize> = ANCHORS.into_iter().chain(later).collect();
    at.retain(|k| *k <= last);
    if at.last() != Some(&last) {
        at.push(last);
    }
    let found: Vec<(usize, (f64, f64))> = at
        .into_iter()
        .filter_map(|k| promise::factors(condition, rig, &designs[k].0).map(|f| (k, f)))
        .collect();
    smoothed(&found)
}

/// Geometric means with the neighbours: the first design that seems to keep a promise
/// must not be the one whose simulated runs happened to be kind.
fn smoothed(found: &[(usize, (f64, f64))]) -> Vec<(usize, (f64, f64))> {
    (0..found.len())
        .map(|i| {
            let near = &found[i.saturating_sub(1)..(i + 2).min(found.len())];
            let mean = |pick: fn(&(f64, f64)) -> f64| {
                let logs: f64 = near.iter().map(|n| pick(&n.1).ln()).sum();
                (logs / near.len() as f64).exp()
            };
            (found[i].0, (mean(|f| f.0), mean(|f| f.1)))
        })
        .collect()
}

/// Factors between the anchors, in proportion.
fn between(anchors: &[(usize, (f64, f64))], k: usize) -> (f64, f64) {
    let after = anchors.iter().find(|a| a.0 >= k);
    let before = anchors.iter().rev().find(|a| a.0 <= k);
    match (before, after) {
        (Some(a), Some(b)) if a.0 < b.0 => {
            let share = (k - a.0) as f64 / (b.0 - a.0) as f64;
            let mix = |a: f64, b: f64| a + share * (b - a);
            (mix(a.1.0, b.1.0), mix(a.1.1, b.1.1))
        }
        (Some(a), _) | (None, Some(a)) => a.1,
        // No fit gave an interval: the bare covariance would promise too much.
        (None, None) => (f64::INFINITY, f64::INFINITY),
    }
}
