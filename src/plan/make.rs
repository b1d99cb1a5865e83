//! From a request to a plan.

use rayon::prelude::*;

use super::condition::{Condition, DUTIES, Halves};
use super::frontier::{Frontier, MOST_S, Score, Step};
use super::habit::Habit;
use super::order::{in_blocks, shuffled};
use super::promise;
use super::request::{PlanError, Request};
use super::result::{
    CAUTIONS, HabitComparison, Plan, PlannedCondition, PlannedReading, Predicted, Trade,
};
use super::vessel::Rig;
use crate::units::significant;

/// Repeats of the usual run that the picture shows.
const HABIT_REPEATS: [u32; 4] = [1, 2, 3, 5];

/// Longest time for one thing at the bench, s.
const DAY_S: f64 = 86_400.0;

/// A doubt this near to the best, as a ratio, is told as the best that can be had.
const NEARLY: f64 = 1.03;

/// Makes a plan.
///
/// # Errors
/// [`PlanError`]; a wish that cannot be had is refused with the best that can.
pub fn plan(request: &Request) -> Result<Plan, PlanError> {
    check(request)?;
    let rig = Rig::of(request)?;
    let at: Vec<(f64, f64)> = request
        .pressures_kpa
        .iter()
        .flat_map(|p| request.voltages_v.iter().map(move |v| (*v, *p)))
        .collect();
    let setting_s = setting_s(request);
    let per_injector = request.wish.time_s.map(|t| t / turns(request) - setting_s);
    let most_s = per_injector.map_or(MOST_S, |t| t.clamp(1.0, MOST_S));
    let parts: Vec<Part> = at
        .par_iter()
        .with_max_len(1)
        .map(|at| Part::new(request, &rig, *at, most_s))
        .collect::<Result<_, _>>()?;
    let chosen = choose(request, &rig, &parts, per_injector)?;
    let predicted = predicted(request, &chosen);
    let (trade, trade_of) = trade(&rig, &parts, &chosen);
    Ok(Plan {
        readings: readings(request, &rig, &parts, &chosen),
        predicted,
        optimal_for: Score::of(&request.wish).words(),
        conditions: parts
            .iter()
            .zip(&chosen)
            .map(|(part, step)| condition(&part.frontier.condition, step))
            .collect(),
        habit: habit(request, &parts),
        trade,
        trade_of,
        together: request.together,
        seed: request.seed,
        assumed: assumed(request, &rig, &parts),
        cautions: CAUTIONS.to_vec(),
    })
}

/// One condition with all that is known of it.
struct Part {
    frontier: Frontier,
    habit: Option<Habit>,
}

impl Part {
    fn new(request: &Request, rig: &Rig, at: (f64, f64), most_s: f64) -> Result<Self, PlanError> {
        // The comparison wants steps up to the usual run's time, whatever is wished.
        let short = Condition::new(request, rig, at, DUTIES[0])?;
        let usual = Habit::of(request, rig, &short)?;
        let enough = usual.as_ref().map_or(0.0, |h| h.time_s);
        let frontier = Frontier::new(request, rig, at, enough, most_s.max(enough))?;
        let habit = if frontier.condition.period_ms == short.period_ms {
            usual
        } else {
            Habit::of(request, rig, &frontier.condition)?
        };
        Ok(Self { frontier, habit })
    }

    fn score(&self, halves: &Halves) -> f64 {
        self.frontier.score.value(halves)
    }
}

fn check(request: &Request) -> Result<(), PlanError> {
    let wish = &request.wish;
    if wish.dead_time_us.is_none() && wish.flow_percent.is_none() && wish.time_s.is_none() {
        return Err(PlanError::NothingWanted);
    }
    let timing = &request.timing;
    for (what, value) in [
        ("the flow", Some(request.flow.value)),
        ("the wanted doubt of the dead time", wish.dead_time_us),
        ("the wanted doubt of the flow", wish.flow_percent),
        ("the time", wish.time_s),
        ("the repeatability", request.repeatability_percent),
        ("the shortest period", Some(timing.shortest_period_ms)),
        ("the coil's share", Some(timing.coil_share)),
    ] {
        must(value.is_none_or(above_zero), what, "above zero")?;
    }
    for (what, value) in [
        ("the time to read", timing.read_s),
        ("the time to empty and drain", timing.empty_s),
        ("the time to set a voltage", timing.voltage_s),
        ("the time to set a pressure", timing.pressure_s),
    ] {
        must(
            (0.0..=DAY_S).contains(&value),
            what,
            "between zero and a day",
        )?;
    }
    must(
        timing.coil_share <= 1.0,
        "the coil's share",
        "at most 100 %",
    )?;
    must(
        timing.shortest_period_ms <= timing.longest_period_ms,
        "the longest period",
        "no less than the shortest",
    )?;
    let once = |list: &[f64]| {
        let other = |i: usize| list[..i].iter().all(|v| *v != list[i]);
        !list.is_empty() && (0..list.len()).all(|i| above_zero(list[i]) && other(i))
    };
    let expected = "above zero and stated once";
    must(once(&request.voltages_v), "every voltage", expected)?;
    must(once(&request.pressures_kpa), "every pressure", expected)?;
    let ids = &request.injectors;
    let named = |i: usize| !ids[i].trim().is_empty() && !ids[..i].contains(&ids[i]);
    must(
        !ids.is_empty() && (0..ids.len()).all(named),
        "every injector",
        "named, and named once",
    )
}

fn above_zero(value: f64) -> bool {
    value > 0.0 && value.is_finite()
}

fn must(fine: bool, what: &'static str, expected: &'static str) -> Result<(), PlanError> {
    if fine {
        Ok(())
    } else {
        Err(PlanError::OutOfBounds { what, expected })
    }
}

/// Injectors that are run one after another.
fn turns(request: &Request) -> f64 {
    if request.together {
        1.0
    } else {
        request.injectors.len() as f64
    }
}

/// Time to set voltages and pressures for one injector, s.
fn setting_s(request: &Request) -> f64 {
    let (v, p) = (request.voltages_v.len(), request.pressures_kpa.len());
    (v * p) as f64 * request.timing.voltage_s + p as f64 * request.timing.pressure_s
}

/// A step for each condition: the wanted doubt in the least time, or the least
/// common score in the time allowed.
fn choose(
    request: &Request,
    rig: &Rig,
    parts: &[Part],
    per_injector: Option<f64>,
) -> Result<Vec<Step>, PlanError> {
    let wish = &request.wish;
    let wanted = wish.dead_time_us.is_some() || wish.flow_percent.is_some();
    if wanted {
        let steps: Option<Vec<Step>> = parts
            .iter()
            .map(|p| p.frontier.reaching(1.0).cloned())
            .collect();
        let fits = |steps: &[Step]| {
            let all: f64 = steps.iter().map(|s| s.time_s).sum();
            per_injector.is_none_or(|t| all <= t)
        };
        return match steps {
            Some(steps) if fits(&steps) => Ok(steps),
            _ => Err(refusal(request, rig, parts, per_injector)),
        };
    }
    let time = per_injector.unwrap_or(MOST_S);
    best_within(parts, time).ok_or_else(|| too_short(request, parts))
}

/// The steps of least common score whose times fit together.
fn best_within(parts: &[Part], time_s: f64) -> Option<Vec<Step>> {
    let mut scores: Vec<f64> = parts
        .iter()
        .flat_map(|p| p.frontier.steps.iter().map(|s| p.score(&s.halves)))
        .collect();
    scores.sort_by(f64::total_cmp);
    let at = |score: f64| -> Option<Vec<Step>> {
        let steps: Vec<Step> = parts
            .iter()
            .map(|p| p.frontier.reaching(score).cloned())
            .collect::<Option<_>>()?;
        (steps.iter().map(|s| s.time_s).sum::<f64>() <= time_s).then_some(steps)
    };
    // A larger score takes less time: the first that fits is found by halving.
    let first = scores.partition_point(|score| at(*score).is_none());
    scores.get(first).and_then(|score| at(*score))
}

fn too_short(request: &Request, parts: &[Part]) -> PlanError {
    let least: f64 = parts
        .iter()
        .map(|p| p.frontier.steps.first().map_or(0.0, |s| s.time_s))
        .sum();
    PlanError::TimeTooShort {
        least_s: (least + setting_s(request)) * turns(request),
        // Without a wished time, what is looked into is the limit.
        time_s: request
            .wish
            .time_s
            .unwrap_or(MOST_S * parts.len() as f64 * turns(request)),
    }
}

/// Says what cannot be had, what can, and why.
fn refusal(request: &Request, rig: &Rig, parts: &[Part], per_injector: Option<f64>) -> PlanError {
    let limit = per_injector.unwrap_or(MOST_S * parts.len() as f64);
    let Some(best) = best_within(parts, limit) else {
        return too_short(request, parts);
    };
    // Hours for the last few percent are not what the best means.
    let score = parts.iter().zip(&best).map(|(p, s)| p.score(&s.halves));
    let nearly = NEARLY * score.fold(0.0, f64::max);
    let best: Vec<Step> = parts
        .iter()
        .zip(best)
        .map(|(p, s)| p.frontier.reaching(nearly).cloned().unwrap_or(s))
        .collect();
    let worst = parts
        .iter()
        .zip(&best)
        .max_by(|a, b| a.0.score(&a.1.halves).total_cmp(&b.0.score(&b.1.halves)));
    let Some((part, step)) = worst else {
        return too_short(request, parts);
    };
    let limits = promise::limiting(&part.frontier.condition, rig, &step.counts, &request.wish);
    let predicted = predicted(request, &best);
    let mut what = Vec::new();
    if let Some(us) = request.wish.dead_time_us {
        what.push(format!("dead time within {} µs", significant(us, 3)));
    }
    if let Some(percent) = request.wish.flow_percent {
        what.push(format!("flow within {} %", significant(percent, 3)));
    }
    let (because, hint) = limits.map_or_else(
        || (String::new(), "ask for less, or allow more time".to_owned()),
        |(component, advice)| {
            (
                format!("; the largest part is: {component}"),
                advice.to_owned(),
            )
        },
    );
    PlanError::OutOfReach {
        what: what.join(" and "),
        time_h: predicted.bench_time_s / 3600.0,
        best: format!(
            "dead time within {} µs, flow within {} %",
            significant(predicted.dead_time_half_width_us, 2),
            significant(predicted.flow_half_width_percent, 2)
        ),
        because,
        hint,
    }
}

fn predicted(request: &Request, steps: &[Step]) -> Predicted {
    let worst =
        |pick: fn(&Halves) -> f64| steps.iter().map(|s| pick(&s.halves)).fold(0.0, f64::max);
    let time: f64 = steps.iter().map(|s| s.time_s).sum();
    Predicted {
        dead_time_half_width_us: worst(|h| h.dead_time_us),
        flow_half_width_percent: worst(|h| h.flow_percent),
        bench_time_s: (time + setting_s(request)) * turns(request),
    }
}

fn condition(condition: &Condition, step: &Step) -> PlannedCondition {
    PlannedCondition {
        voltage_v: condition.voltage_v,
        pressure_kpa: condition.pressure_kpa,
        expected_dead_time_ms: condition.dead_time_ms,
        line_range_ms: condition.line_range_ms,
        period_ms: condition.period_ms,
        readings: step.counts.iter().sum(),
        dead_time_half_width_us: step.halves.dead_time_us,
        flow_half_width_percent: step.halves.flow_percent,
        time_s: step.time_s,
    }
}

/// All readings in order: injectors one after another (or together), pressures and
/// voltages at random, readings in blocks.
fn readings(request: &Request, rig: &Rig, parts: &[Part], chosen: &[Step]) -> Vec<PlannedReading> {
    let groups: Vec<&[String]> = if request.together {
        vec![&request.injectors]
    } else {
        request.injectors.chunks(1).collect()
    };
    let volts = request.voltages_v.len();
    let mut out = Vec::new();
    let mut order = 0;
    for (turn, injectors) in groups.iter().enumerate() {
        let seed = request.seed.wrapping_mul(1009).wrapping_add(turn as u64);
        for p in shuffled(request.pressures_kpa.len(), seed) {
            for v in shuffled(volts, seed.wrapping_add(1 + p as u64)) {
                let k = p * volts + v;
                let (condition, step) = (&parts[k].frontier.condition, &chosen[k]);
                let mut repeats = vec![0; step.counts.len()];
                let placed = in_blocks(
                    &step.counts,
                    condition.control,
                    seed.wrapping_mul(31).wrapping_add(k as u64),
                );
                for one in placed {
                    order += 1;
                    repeats[one.candidate] += 1;
                    let c = &condition.candidates[one.candidate];
                    let width = condition.widths[c.width];
                    out.extend(
                        injectors
                            .iter()
                            .enumerate()
                            .map(|(i, injector)| PlannedReading {
                                order,
                                injector: injector.clone(),
                                voltage_v: condition.voltage_v,
                                pressure_kpa: condition.pressure_kpa,
                                pulse_width_ms: width,
                                pulses: c.pulses,
                                period_ms: condition.period_ms,
                                repeat: repeats[one.candidate],
                                block: one.block as u32,
                                control: one.control,
                                expected: c.delivered,
                                unit: rig.basis.amount_unit().word(),
                                rest_s: request.timing.rest_s(c.pulses, width, condition.period_ms),
                                vessel: vessel_of(request, rig, i),
                            }),
                    );
                }
            }
        }
    }
    out
}

/// Where injector `i` of those that fire together is read: each in its own vessel
/// where the bench file has as many.
fn vessel_of(request: &Request, rig: &Rig, i: usize) -> Option<String> {
    let vessels = &request.bench.vessels;
    if request.together && request.vessel.is_none() && vessels.len() >= request.injectors.len() {
        return vessels[i].name.clone();
    }
    rig.vessel.name.clone()
}

fn habit(request: &Request, parts: &[Part]) -> Option<HabitComparison> {
    let habits: Vec<&Habit> = parts
        .iter()
        .map(|p| p.habit.as_ref())
        .collect::<Option<_>>()?;
    let as_step = |h: &Habit| Step {
        time_s: h.time_s,
        counts: Vec::new(),
        halves: h.halves,
    };
    let usual: Vec<Step> = habits.iter().map(|h| as_step(h)).collect();
    let same_doubt: Option<Vec<Step>> = parts
        .iter()
        .zip(&habits)
        .map(|(p, h)| p.frontier.reaching(p.score(&h.halves)).cloned())
        .collect();
    let same_time: Option<Vec<Step>> = parts
        .iter()
        .zip(&habits)
        .map(|(p, h)| p.frontier.within(h.time_s).cloned())
        .collect();
    Some(HabitComparison {
        what: "1,000 pulses at every width, or as many as the vessel holds, three repeats, at the plan's period".to_owned(),
        readings: habits.iter().map(|h| h.readings).sum(),
        predicted: predicted(request, &usual),
        same_doubt_time_s: same_doubt.map(|s| predicted(request, &s).bench_time_s),
        same_time: same_time.map(|s| predicted(request, &s)),
    })
}

/// Doubt against time at the condition with the largest doubt, and its name.
fn trade(rig: &Rig, parts: &[Part], chosen: &[Step]) -> (Vec<Trade>, String) {
    let worst = parts
        .iter()
        .zip(chosen)
        .max_by(|a, b| a.0.score(&a.1.halves).total_cmp(&b.0.score(&b.1.halves)));
    let Some((part, _)) = worst else {
        return (Vec::new(), String::new());
    };
    let point = |time: f64, h: &Halves| [time, h.dead_time_us, h.flow_percent];
    let steps = part.frontier.steps.iter();
    let mut out = vec![Trade {
        run: "plan",
        points: steps.map(|s| point(s.time_s, &s.halves)).collect(),
    }];
    let condition = &part.frontier.condition;
    if let Some(habit) = &part.habit {
        let points = HABIT_REPEATS
            .iter()
            .filter_map(|n| habit.repeated(rig, condition, *n))
            .map(|(time, halves)| point(time, &halves))
            .collect();
        out.push(Trade {
            run: "habit",
            points,
        });
    }
    let (v, p) = (condition.voltage_v, condition.pressure_kpa);
    (out, format!("one injector at {v} V and {p} kPa"))
}

fn assumed(request: &Request, rig: &Rig, parts: &[Part]) -> Vec<String> {
    let mut assumed = rig.assumed.clone();
    let stated = request.bench.scatter.as_ref();
    let stated = stated.and_then(|s| s.repeatability_percent);
    if request.repeatability_percent.or(stated).is_none() {
        assumed.push("repeatability 0.3 % (state --repeatability where it is known)".to_owned());
    }
    if request.dead_time_ms.is_none() {
        let list: Vec<String> = parts
            .iter()
            .map(|p| {
                let c = &p.frontier.condition;
                format!("{} ms at {} V", significant(c.dead_time_ms, 2), c.voltage_v)
            })
            .collect();
        assumed.push(format!(
            "dead time {} (state --dead-time where it is known)",
            list.join(", ")
        ));
    }
    let t = &request.timing;
    assumed.push(format!(
        "{} s to read, {} s to empty and drain, {} s to set a voltage, {} s a pressure; coil on for at most {:.0} % of the time (the bench file or options state what differs)",
        t.read_s, t.empty_s, t.voltage_s, t.pressure_s, 100.0 * t.coil_share
    ));
    assumed
}
