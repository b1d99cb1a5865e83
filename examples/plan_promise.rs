//! Whether a plan keeps its promise: planned runs are simulated on injectors whose
//! physics the planner does not know, written as captures, read and fitted:
//! `cargo run --release --example plan_promise -- --benches 350 --seed 1`.
//! `--held-back` takes the laws that were kept away from the work on the fit, `--law N`
//! one law by its place, `--vessel N` one vessel; `--bound` compares the times of habit and
//! plan with the least time that any design could take.

#[allow(dead_code)]
mod bench_sim;
mod plan_bound;

use bench_sim::bench::true_line;
use bench_sim::laws::{HELD_BACK, Injector, Law, WORKED_ON};
use meniscus::capture::{Bench, CaptureFile, SetPoints, VesselKind, read_bench, read_captures};
use meniscus::demand::NominalFlow;
use meniscus::fit::{FitOptions, Instrument, fit_capture};
use meniscus::plan::{Plan, Request, Wish, plan};
use meniscus::units::Basis;
use plan_bound::{Bench as Allowed, Wanted, least_time_s};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;

/// What is read with: words, bench file, noise of a reading beside rounding and
/// the step it is rounded to (mm³ or mg), density, wanted half-width (µs).
struct Vessel {
    name: &'static str,
    toml: &'static str,
    noise: f64,
    step: f64,
    density: f64,
    wanted_us: f64,
    wanted_percent: f64,
}

const VESSELS: [Vessel; 3] = [
    Vessel {
        name: "cylinder, 1 mL",
        toml: "[vessel]\nkind = \"graduated cylinder\"\ncapacity = \"100 mL\"\ndivision = \"1 mL\"\n",
        noise: 250.0,
        step: 500.0,
        density: 1.0,
        wanted_us: 25.0,
        wanted_percent: 0.8,
    },
    Vessel {
        name: "burette, 0.1 mL",
        toml: "[vessel]\nkind = \"burette\"\ncapacity = \"50 mL\"\ndivision = \"0.1 mL\"\n",
        noise: 25.0,
        step: 50.0,
        density: 1.0,
        wanted_us: 20.0,
        wanted_percent: 0.6,
    },
    Vessel {
        name: "balance, 0.01 g",
        toml: "[vessel]\nkind = \"balance\"\ncapacity = \"200 g\"\ndivision = \"0.01 g\"\nreading_uncertainty = \"0.02 g\"\n[fluid]\ndensity = \"0.69 g/mL\"\n",
        noise: 20.0,
        step: 10.0,
        density: 0.69,
        wanted_us: 15.0,
        wanted_percent: 0.4,
    },
];
const FLOWS_CC_MIN: [f64; 4] = [150.0, 250.0, 420.0, 1000.0];
/// Relative repeatability of the simulated rig, as the planner assumes it.
const REPEATABILITY: f64 = 0.003;
/// Standard deviation of the reading offset from bench to bench, mm³.
const OFFSET: f64 = 200.0;
const VOLTAGE: f64 = 14.0;

/// What is asked of the planner.
#[derive(Clone, Copy, Default)]
struct Asked {
    dead_time_ms: Option<f64>,
    /// The flow's doubt instead of the dead time's.
    flow: bool,
}

#[derive(Clone, Copy)]
struct Outcome {
    x_half: f64,
    s_half: f64,
    x_held: bool,
    s_held: bool,
    x_error: f64,
    overfull: bool,
}

fn request(vessel: &Vessel, cc_min: f64, asked: Asked) -> Request {
    let bench = read_bench("bench.toml", vessel.toml).expect("the bench files above are sound");
    let flow = NominalFlow {
        basis: Basis::Volume,
        value: cc_min / 60.0,
        tolerance: None,
    };
    let wish = Wish {
        dead_time_us: (!asked.flow).then_some(vessel.wanted_us),
        flow_percent: asked.flow.then_some(vessel.wanted_percent),
        time_s: None,
    };
    Request {
        dead_time_ms: asked.dead_time_ms,
        ..Request::new(bench, flow, (VOLTAGE, 300.0), wish)
    }
}

/// The planned run on one injector, as the capture that would be written.
fn run(
    plan: &Plan,
    vessel: &Vessel,
    injector: &Injector,
    offset: f64,
    rng: &mut ChaCha8Rng,
) -> (String, bool) {
    let mass = vessel.density != 1.0;
    let mut text = format!(
        "injector,voltage_v,pressure_kpa,pulse_width_ms,period_ms,pulses,{}\n",
        if mass { "mass_mg" } else { "volume_mm3" }
    );
    let mut overfull = false;
    for r in &plan.readings {
        let mut normal = || -> f64 { StandardNormal.sample(rng) };
        let volume =
            r.pulses * injector.delivery(r.pulse_width_ms) * (1.0 + REPEATABILITY * normal());
        let seen = vessel.density * (volume + offset) + vessel.noise * normal();
        let read = ((seen / vessel.step).round() * vessel.step).max(0.0);
        overfull |= read > capacity(vessel);
        text.push_str(&format!(
            "A,{},{},{},{},{},{read}\n",
            r.voltage_v, r.pressure_kpa, r.pulse_width_ms, r.period_ms, r.pulses
        ));
    }
    (text, overfull)
}

fn capacity(vessel: &Vessel) -> f64 {
    read_bench("bench.toml", vessel.toml)
        .expect("sound above")
        .vessels[0]
        .capacity
        .expect("stated above")
}

fn judge(
    plan: &Plan,
    bench: &Bench,
    vessel: &Vessel,
    cc_min: f64,
    law: Law,
    seed: u64,
) -> Option<Outcome> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut injector = Injector::draw(law, VOLTAGE, &mut rng);
    injector.flow = cc_min / 60.0 * rng.random_range(0.93..1.07);
    injector.period = plan.conditions[0].period_ms;
    let normal: f64 = StandardNormal.sample(&mut rng);
    let (text, overfull) = run(plan, vessel, &injector, OFFSET * normal, &mut rng);
    let file = CaptureFile::new("run.csv".to_owned(), text.into_bytes());
    let set = SetPoints {
        voltage_v: None,
        pressure_kpa: None,
    };
    let capture = read_captures(&[file], bench.clone(), set).ok()?;
    let options = FitOptions {
        line_range_ms: Some(plan.conditions[0].line_range_ms),
        ..FitOptions::default()
    };
    let fitted = fit_capture(&capture, &options);
    let sweep = &fitted.injectors[0].sweeps[0];
    let [lo, hi] = sweep.line_range_ms?;
    let (slope, dead_time) = true_line(|w| vessel.density * injector.delivery(w), (lo, hi));
    let (s, x) = (sweep.slope.as_ref()?, sweep.dead_time.as_ref()?);
    let held =
        |i: [Option<f64>; 2], t: f64| i[0].is_none_or(|l| l <= t) && i[1].is_none_or(|h| t <= h);
    Some(Outcome {
        x_half: 1000.0 * x.half_width().unwrap_or(f64::INFINITY),
        s_half: 100.0 * s.half_width().unwrap_or(f64::INFINITY) / s.value,
        x_held: held(x.interval_95, dead_time),
        s_held: held(s.interval_95, slope),
        x_error: 1000.0 * (x.value - dead_time),
        overfull,
    })
}

fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut v: Vec<f64> = values.collect();
    v.sort_by(f64::total_cmp);
    v[v.len() / 2]
}

fn cell(
    vessel: &Vessel,
    cc_min: f64,
    asked: Asked,
    laws: &[Law],
    benches: usize,
    seed: u64,
) -> String {
    let request = request(vessel, cc_min, asked);
    let kind = match request.bench.vessels[0].kind {
        VesselKind::Balance => "balance",
        _ => "glass",
    };
    let plan = match plan(&request) {
        Ok(plan) => plan,
        Err(error) => return format!("| {} ({kind}) | {cc_min} | refused: {error} |", vessel.name),
    };
    let outcomes: Vec<Outcome> = (0..benches)
        .into_par_iter()
        .filter_map(|i| {
            let law = laws[i % laws.len()];
            let seed = seed * 1_000_003 + (cc_min as u64) * 10_007 + i as u64;
            judge(&plan, &request.bench, vessel, cc_min, law, seed)
        })
        .collect();
    let n = outcomes.len() as f64;
    let share =
        |f: fn(&Outcome) -> bool| 100.0 * outcomes.iter().filter(|o| f(o)).count() as f64 / n;
    let (px, ps) = (
        plan.predicted.dead_time_half_width_us,
        plan.predicted.flow_half_width_percent,
    );
    let (mx, ms) = (
        median(outcomes.iter().map(|o| o.x_half)),
        median(outcomes.iter().map(|o| o.s_half)),
    );
    let rms = (outcomes.iter().map(|o| o.x_error.powi(2)).sum::<f64>() / n).sqrt();
    let habit = plan.habit.as_ref().map_or("none".to_owned(), |h| {
        let same = h
            .same_doubt_time_s
            .map_or("-".to_owned(), |t| format!("{:.0}", t / 60.0));
        let at_time = h.same_time.map_or("-".to_owned(), |t| {
            format!(
                "{:.1}, {:.2}",
                t.dead_time_half_width_us, t.flow_half_width_percent
            )
        });
        format!(
            "{:.0} | {:.0}, {:.2} | {same} | {at_time}",
            h.predicted.bench_time_s / 60.0,
            h.predicted.dead_time_half_width_us,
            h.predicted.flow_half_width_percent,
        )
    });
    format!(
        "| {} | {cc_min} | {} in {:.0} | {px:.1} | {mx:.1} | {:+.0} % | {:.1} | {rms:.1} | {ps:.2} | {ms:.2} | {:+.0} % | {:.1} | {:.1} | {habit} |",
        vessel.name,
        plan.readings.len(),
        plan.predicted.bench_time_s / 60.0,
        100.0 * (mx / px - 1.0),
        share(|o| o.x_held),
        100.0 * (ms / ps - 1.0),
        share(|o| o.s_held),
        share(|o| o.overfull),
    )
}

/// Times of the usual run, of plans of its doubt, and of no plan that could be better.
fn bounds(vessel: &Vessel, cc_min: f64, asked: Asked) -> Option<String> {
    let mut said = format!("| {} | {cc_min} ", vessel.name);
    for flow in [false, true] {
        let request = request(vessel, cc_min, Asked { flow, ..asked });
        let plan = plan(&request).ok()?;
        let habit = plan.habit.as_ref()?;
        let h = &habit.predicted;
        let wanted = if flow {
            Wanted::FlowPercent(h.flow_half_width_percent)
        } else {
            Wanted::DeadTimeUs(h.dead_time_half_width_us)
        };
        let stated = &request.bench.vessels[0];
        let basis = match stated.kind {
            VesselKind::Balance => Basis::Mass,
            _ => Basis::Volume,
        };
        let full = 0.9 * stated.capacity?;
        // As the planner assumes it for a vessel of this size.
        let instrument = Instrument {
            offset_uncertainty: 300.0 * vessel.density,
            ..Instrument::of(&request.bench, &[], basis, None)
        };
        let slope = vessel.density * cc_min / 60.0;
        let least = |allowed| {
            let wanted = (wanted, allowed);
            least_time_s(&request, &plan, &instrument, (slope, full), wanted)
        };
        let share = |s: f64| format!("{:.0} %", 100.0 * s / h.bench_time_s);
        let planned = habit.same_doubt_time_s.map_or("-".to_owned(), share);
        if !flow {
            said.push_str(&format!("| {:.0} ", h.bench_time_s / 60.0));
        }
        said.push_str(&format!(
            "| {planned} | {} | {} ",
            share(least(Allowed::AsPlanned)),
            share(least(Allowed::Kindest))
        ));
    }
    Some(said + "|")
}

fn main() {
    let mut benches = 140;
    let mut seed = 1;
    let mut asked = Asked::default();
    let mut bound = false;
    let mut laws: &[Law] = &WORKED_ON;
    let mut vessels: &[Vessel] = &VESSELS;
    let mut args = std::env::args().skip(1);
    while let Some(arg) = args.next() {
        let mut number = || {
            args.next()
                .and_then(|v| v.parse::<u64>().ok())
                .expect("a number follows")
        };
        match arg.as_str() {
            "--benches" => benches = number() as usize,
            "--seed" => seed = number(),
            "--dead-time-us" => asked.dead_time_ms = Some(number() as f64 / 1000.0),
            "--flow" => asked.flow = true,
            "--bound" => bound = true,
            "--held-back" => laws = &HELD_BACK,
            "--law" => {
                let k = number() as usize;
                laws = &laws[k..=k];
            }
            "--vessel" => {
                let k = number() as usize;
                vessels = &VESSELS[k..=k];
            }
            other => panic!("unknown argument {other}"),
        }
    }
    #[allow(clippy::print_stdout)]
    if bound {
        println!(
            "| vessel | cc/min | habit min | same X, planned | least | kindest | same S, planned | least | kindest |"
        );
        println!("|{}", "---|".repeat(9));
        for vessel in vessels {
            for cc_min in FLOWS_CC_MIN {
                println!("{}", bounds(vessel, cc_min, asked).unwrap_or_default());
            }
        }
    } else {
        println!(
            "| vessel | cc/min | readings in min | X promised | X median | off | X covered | X rms error | S promised | S median | off | S covered | overfull | habit min | habit X, S | same doubt min | same time X, S |"
        );
        println!("|{}", "---|".repeat(17));
        for vessel in vessels {
            for cc_min in FLOWS_CC_MIN {
                println!("{}", cell(vessel, cc_min, asked, laws, benches, seed));
            }
        }
    }
}
