//! Writes the invented captures of `bench-runs/`, the same bytes each time.
//!
//! `cargo run --example make_runs` writes them; with `-- --check` it only
//! compares and fails where a file differs. Beside each capture stands
//! `truth.csv`: the slope and dead time that the simulation holds. Every injector, bench and fault in
//! here is invented. The physics is deliberately not that of any delivery model
//! the library fits: coil current rises by L/R, the needle leaves when the
//! current passes an opening value and closes later the more current flows at
//! switch-off, so short pulses leave the straight line and the departure dies
//! away with L/R.

use std::error::Error;
use std::fmt::Write as _;
use std::path::Path;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

/// An invented injector. Times at 300 kPa.
#[derive(Clone, Copy)]
struct Injector {
    id: &'static str,
    /// Flow fully open, mm³/ms at 300 kPa.
    flow: f64,
    /// Coil inductance, mH.
    inductance: f64,
    /// Coil resistance, Ω.
    resistance: f64,
    /// Coil current that lifts the needle, A.
    opening_current: f64,
    /// Time the needle takes to its stop, ms.
    flight: f64,
}

/// Coil current below which the needle falls, A.
const CLOSING_CURRENT: f64 = 0.2;
/// Time constant with which the field decays after switch-off, ms.
const FIELD_DECAY: f64 = 0.25;
/// Width of the region in which the needle hardly leaves its seat, ms.
const SEAT: f64 = 0.03;
/// Reading-to-reading repeatability of injector and rig, relative.
const REPEATABILITY: f64 = 0.004;

impl Injector {
    /// Delivered volume of one pulse, mm³; widths in ms, V, kPa.
    fn pulse(&self, width: f64, volts: f64, kpa: f64) -> f64 {
        let rise = self.inductance / self.resistance;
        let settled = volts / self.resistance;
        let opening = -rise * (1.0 - self.opening_current / settled).ln();
        let flight = self.flight * (kpa / 300.0).powf(0.3);
        let at_switch_off = settled * (1.0 - (-width / rise).exp());
        let closing = FIELD_DECAY * (at_switch_off / CLOSING_CURRENT).max(1.0).ln();
        let open = (width - opening - flight + closing) / SEAT;
        let open = if open > 30.0 {
            open
        } else {
            open.exp().ln_1p()
        };
        self.full_flow(kpa) * SEAT * open
    }

    /// Flow fully open, mm³/ms: an orifice, so the root of the pressure.
    fn full_flow(&self, kpa: f64) -> f64 {
        self.flow * (kpa / 300.0).sqrt()
    }
}

/// Header of every `truth.csv`. Flow in mm³/ms and mm³, or mg/ms and mg by mass.
const TRUTH_HEADER: &str = "# What the simulation holds: the least-squares line of the delivery curve over the range\n\
     injector,stage,voltage_v,pressure_kpa,line_lo_ms,line_hi_ms,slope,dead_time_ms,delivered_at_2_ms\n";

/// Slope and dead time of the least-squares line of the delivery curve,
/// uniform in pulse width over `[lo, hi]` ms, by the midpoint rule.
fn true_line(injector: &Injector, volts: f64, kpa: f64, lo: f64, hi: f64) -> (f64, f64) {
    const STEPS: u32 = 20_000;
    let (middle, width) = (f64::midpoint(lo, hi), hi - lo);
    let step = width / f64::from(STEPS);
    let (mut mean, mut moment) = (0.0, 0.0);
    for i in 0..STEPS {
        let w = lo + (f64::from(i) + 0.5) * step;
        let q = injector.pulse(w, volts, kpa);
        mean += q * step / width;
        moment += q * (w - middle) * step;
    }
    let slope = 12.0 * moment / width.powi(3);
    (slope, middle - mean / slope)
}

/// One line of `truth.csv`; `density` in mg/mm³, 1 for results by volume.
fn truth_line(
    out: &mut String,
    injector: &Injector,
    stage: &str,
    at: (f64, f64),
    range: (f64, f64),
    density: f64,
) {
    let (volts, kpa) = at;
    let (slope, dead_time) = true_line(injector, volts, kpa, range.0, range.1);
    line(
        out,
        format_args!(
            "{},{stage},{volts},{kpa:.2},{},{},{:.4},{dead_time:.4},{:.4}",
            injector.id,
            range.0,
            range.1,
            slope * density,
            injector.pulse(2.0, volts, kpa) * density
        ),
    );
}

/// A vessel with its hidden errors. Volumes in mL, or grams for a balance.
#[derive(Clone, Copy)]
struct Vessel {
    division: f64,
    /// What a reading gains or loses whatever its size.
    offset: f64,
    /// Relative error of the scale.
    gain: f64,
}

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    rng.sample(StandardNormal)
}

/// What the person at the bench writes down for a delivered amount.
fn read(rng: &mut ChaCha8Rng, vessel: Vessel, delivered: f64) -> f64 {
    let scatter = 1.0 + REPEATABILITY * normal(rng);
    let eye = 0.25 * vessel.division * normal(rng);
    let seen = delivered * scatter * (1.0 + vessel.gain) + vessel.offset + eye;
    (seen / vessel.division).round() * vessel.division
}

/// Pulses that fill about `target` mL, in hundreds, at most 16,000 (a train of
/// 20 ms periods then lasts five minutes and twenty seconds).
fn count(per_pulse: f64, target: f64) -> u32 {
    let hundreds = (target * 1000.0 / per_pulse / 100.0).round();
    (hundreds.clamp(1.0, 160.0) * 100.0) as u32
}

/// Six alike injectors.
fn six() -> Vec<Injector> {
    let deviations = [0.3, -0.5, 0.1, 0.6, -0.2, -0.4];
    let flights = [0.820, 0.828, 0.808, 0.824, 0.815, 0.820];
    let coils = [12.2, 12.3, 12.2, 12.4, 12.1, 12.3];
    let ids = ["H1", "H2", "H3", "H4", "H5", "H6"];
    (0..6)
        .map(|i| Injector {
            id: ids[i],
            flow: 4.2 * (1.0 + deviations[i] / 100.0),
            inductance: 9.5,
            resistance: coils[i],
            opening_current: 0.4,
            flight: flights[i],
        })
        .collect()
}

/// A matched set of six: three voltages, nine widths, two fill levels.
fn healthy_six() -> (String, String) {
    let mut rng = ChaCha8Rng::seed_from_u64(6_300);
    let set = six();
    let cylinders: Vec<Vessel> = (0..6)
        .map(|_| Vessel {
            division: 1.0,
            offset: 0.25 * normal(&mut rng),
            gain: rng.random_range(-0.004..0.004),
        })
        .collect();
    // The gauges are off by about their standard uncertainty, the same all day.
    let (volts_off, kpa_off) = (0.03, 0.8);
    let mut out = String::from(
        "# Invented data: simulated by examples/make_runs.rs, seed 6300\n\
         injector,voltage_v,pressure_kpa,pulse_width_ms,period_ms,pulses,open_time_s,volume_ml,vessel,repeat,fluid_temp_c\n",
    );
    let mut truth = String::from(TRUTH_HEADER);
    for volts in [10.0, 12.0, 14.0] {
        let kpa = 300.0 + kpa_off;
        for width in [1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 6.0, 9.0, 12.0] {
            let filled = count(set[0].pulse(width, 14.0, 300.0), 85.0);
            let mut trains = vec![filled; 3];
            if [2.5, 4.0, 9.0].contains(&width) {
                trains.extend([filled / 400 * 100; 3]);
            }
            for (train, pulses) in trains.iter().enumerate() {
                let temperature = 21.0 + 0.2 * normal(&mut rng);
                for (injector, vessel) in set.iter().zip(&cylinders) {
                    let per_pulse = injector.pulse(width, volts + volts_off, kpa);
                    let ml = read(&mut rng, *vessel, f64::from(*pulses) * per_pulse / 1000.0);
                    line(
                        &mut out,
                        format_args!(
                            "{},{volts},300,{width},20,{pulses},,{ml},C{},{},{temperature:.1}",
                            injector.id,
                            &injector.id[1..],
                            train % 3 + 1
                        ),
                    );
                }
            }
        }
        let range = (if volts < 11.0 { 2.5 } else { 2.0 }, 12.0);
        for injector in &set {
            truth_line(&mut truth, injector, "", (volts, 300.0), range, 1.0);
        }
    }
    for repeat in 1..=3 {
        for (injector, vessel) in set.iter().zip(&cylinders) {
            // Fully open the pressure at the injector is a little lower.
            let flow = 0.99 * injector.full_flow(300.0 + kpa_off);
            let ml = read(&mut rng, *vessel, 20.0 * flow);
            let cylinder = &injector.id[1..];
            line(
                &mut out,
                format_args!(
                    "{},14,300,,,,20,{ml},C{cylinder},{repeat},21.0",
                    injector.id
                ),
            );
        }
    }
    (out, truth)
}

/// Appends one line; writing to a string cannot fail.
fn line(out: &mut String, text: std::fmt::Arguments) {
    writeln!(out, "{text}").expect("a string takes every line");
}

/// Four neglected injectors, weighed as received and again after cleaning.
fn neglected_four() -> (String, String) {
    let mut rng = ChaCha8Rng::seed_from_u64(4_300);
    // g/mL of n-heptane at 21 °C
    let density = 0.683;
    let healthy = Injector {
        id: "",
        flow: 5.1,
        inductance: 8.0,
        resistance: 13.0,
        opening_current: 0.4,
        flight: 0.72,
    };
    // Flow in percent of new and flight time, as received and cleaned: N2 is
    // partly blocked, N3 opens slowly and cleaning cures only half of it.
    let set = [
        ("N1", -2.5, -0.6, 0.74, 0.73),
        ("N2", -15.0, -1.9, 0.75, 0.735),
        ("N3", -3.0, 0.2, 0.98, 0.84),
        ("N4", -1.6, 0.5, 0.73, 0.72),
    ];
    let balance = Vessel {
        division: 0.1,
        offset: -0.06,
        gain: 0.0002,
    };
    let mut out = String::from(
        "# Invented data: simulated by examples/make_runs.rs, seed 4300\n\
         stage,injector,pulse_width_ms,period_ms,pulses,mass_start_g,mass_g,repeat,fluid_temp_c\n",
    );
    let mut truth = String::from(TRUTH_HEADER);
    for stage in ["as_received", "cleaned"] {
        let cleaned = stage == "cleaned";
        for (id, flow_before, flow_after, flight_before, flight_after) in set {
            let change: f64 = if cleaned { flow_after } else { flow_before };
            let injector = Injector {
                id,
                flow: healthy.flow * (1.0 + change / 100.0),
                flight: if cleaned { flight_after } else { flight_before },
                ..healthy
            };
            let (at, range) = ((14.0, 300.0), (2.0, 12.0));
            truth_line(&mut truth, &injector, stage, at, range, density);
            for repeat in 1..=3 {
                for width in [1.2, 1.4, 1.7, 2.0, 2.5, 3.5, 5.0, 8.0, 12.0] {
                    // The last repeat is run with a quarter of the pulses.
                    let target = if repeat == 3 { 20.0 } else { 80.0 };
                    let pulses = count(healthy.pulse(width, 14.0, 300.0), target);
                    let per_pulse = injector.pulse(width, 13.98, 299.4) * density;
                    let delivered = f64::from(pulses) * per_pulse / 1000.0;
                    // The beaker is emptied but not dried.
                    let start = (52.4 + rng.random_range(0.0..0.9)) / balance.division;
                    let start = start.round() * balance.division;
                    let end = start + read(&mut rng, balance, delivered);
                    let temperature = 21.0 + 0.2 * normal(&mut rng);
                    line(
                        &mut out,
                        format_args!(
                            "{stage},{},{width},20,{pulses},{start:.1},{end:.1},{repeat},{temperature:.1}",
                            injector.id
                        ),
                    );
                }
            }
        }
    }
    (out, truth)
}

/// Five injectors into five cylinders, written as people write.
fn messy_wide() -> (String, String) {
    let mut rng = ChaCha8Rng::seed_from_u64(5_435);
    const KPA_PER_PSI: f64 = 6.894_757_293_168_361;
    let ids = ["0412", "0413", "0417", "0420", "0431"];
    let flows = [3.31, 3.36, 3.27, 3.34, 3.20];
    let flights = [0.80, 0.83, 0.79, 0.81, 0.86];
    let nominal = Injector {
        id: "",
        flow: 3.3,
        inductance: 9.0,
        resistance: 14.5,
        opening_current: 0.38,
        flight: 0.81,
    };
    let set: Vec<Injector> = (0..5)
        .map(|i| Injector {
            id: ids[i],
            flow: flows[i],
            flight: flights[i],
            ..nominal
        })
        .collect();
    // The harness takes 0.04 V of the 13.5 V at the supply.
    let volts = 13.46;
    let mut truth = String::from(TRUTH_HEADER);
    for injector in &set {
        let at = (volts, 43.5 * KPA_PER_PSI);
        truth_line(&mut truth, injector, "", at, (2.0, 10.0), 1.0);
    }
    let offsets = [0.1, -0.2, 0.3, -0.1, -0.3];
    let mut out = String::from(
        "# Invented data: simulated by examples/make_runs.rs, seed 5435\r\n\
         # shop bench, five cylinders of 100 mL read to half a millilitre\r\n\
         Note;Volume_ml:0417;volume_ml:0412;volume_ml:0413;VOLUME_ML:0431;volume_ml:0420;exclude:0413;Pulses;\
         Pulse_Width_us;pressure_psi;pressure_actual_psi;frequency_hz;Fluid_Temp_F;x_tray;repeat\r\n",
    );
    let order = [2, 0, 1, 4, 3];
    for repeat in 1..=3 {
        if repeat == 3 {
            out.push_str("# after lunch, a quarter of the pulses\r\n");
        }
        for width_us in [1400_u32, 1700, 2000, 2500, 3000, 4500, 7000, 10_000] {
            let width = f64::from(width_us) / 1000.0;
            let psi = 43.5 + (0.15 * normal(&mut rng)).clamp(-0.4, 0.4);
            let target = if repeat == 3 { 21.0 } else { 82.0 };
            let pulses = count(nominal.pulse(width, 13.5, 300.0), target);
            let mut cells = Vec::new();
            let (mut reason, mut note) = ("", "");
            for i in order {
                let injector = set[i];
                let vessel = Vessel {
                    division: 0.5,
                    offset: offsets[i],
                    gain: 0.0,
                };
                let per_pulse = injector.pulse(width, volts, psi * KPA_PER_PSI);
                let mut ml = read(&mut rng, vessel, f64::from(pulses) * per_pulse / 1000.0);
                if injector.id == "0413" && repeat == 2 && width_us == 3000 {
                    // A hose came off: the reading is far low and is excluded.
                    ml = 31.0;
                    reason = "hose came off the cylinder";
                }
                if injector.id == "0420" && repeat == 1 && width_us == 4500 {
                    // Misread by ten, and nobody noticed.
                    ml += 10.0;
                }
                cells.push(comma(ml, 1));
            }
            if repeat == 1 && width_us == 10_000 {
                note = "bubbles in the hose, purged before";
            }
            let fahrenheit = 70.0 + 0.5 * normal(&mut rng);
            let text = format!(
                "{note};{};{reason};{pulses};{width_us};43,5;{};50;{};left;{repeat}\r\n",
                cells.join(";"),
                comma(psi, 2),
                comma(fahrenheit, 1)
            );
            out.push_str(&text);
        }
    }
    (out, truth)
}

/// Four injectors checked in turn with one cylinder at two widths: one of them is
/// partly blocked.
fn quick_check() -> (String, String) {
    let mut rng = ChaCha8Rng::seed_from_u64(4_280);
    let flows = [("Q1", 0.2), ("Q2", -0.3), ("Q3", -6.5), ("Q4", 0.4)];
    let vessel = Vessel {
        division: 1.0,
        offset: 0.2,
        gain: 0.003,
    };
    let mut out = String::from(
        "# Invented data: simulated by examples/make_runs.rs, seed 4280\n\
         injector,pulse_width_ms,pulses,repeat,volume_ml\n",
    );
    let mut truth = String::from(
        "# What the simulation holds: delivered quantity per pulse, mm3\n\
         injector,delivered_at_2.5_ms,delivered_at_8_ms\n",
    );
    let set = flows.map(|(id, percent)| Injector {
        id,
        flow: 4.0 * (1.0 + percent / 100.0),
        inductance: 9.5,
        resistance: 12.3,
        opening_current: 0.4,
        flight: 0.82,
    });
    for injector in &set {
        let [short, long] = [2.5, 8.0].map(|width| injector.pulse(width, 14.0, 300.0));
        line(
            &mut truth,
            format_args!("{},{short:.4},{long:.4}", injector.id),
        );
    }
    for repeat in 1..=3 {
        let mut widths = [(2.5, 12_000), (8.0, 3_000)];
        if repeat == 2 {
            widths.reverse();
        }
        for (width, pulses) in widths {
            for injector in &set {
                let per_pulse = injector.pulse(width, 14.0, 300.0);
                let ml = read(&mut rng, vessel, f64::from(pulses) * per_pulse / 1000.0);
                let id = injector.id;
                line(
                    &mut out,
                    format_args!("{id},{width},{pulses},{repeat},{ml}"),
                );
            }
        }
    }
    (out, truth)
}

/// A number with a decimal comma.
fn comma(value: f64, places: usize) -> String {
    format!("{value:.places$}").replace('.', ",")
}

fn main() -> Result<(), Box<dyn Error>> {
    let check = std::env::args()
        .nth(1)
        .is_some_and(|word| word == "--check");
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("bench-runs");
    for (run, file, (capture, truth)) in [
        ("healthy-six", "capture.csv", healthy_six()),
        ("neglected-four", "capture.csv", neglected_four()),
        ("messy-wide", "capture.csv", messy_wide()),
        ("quick-check", "today.csv", quick_check()),
    ] {
        for (name, text) in [(file, capture), ("truth.csv", truth)] {
            let path = root.join(run).join(name);
            if !check {
                std::fs::write(&path, &text)?;
            } else if std::fs::read_to_string(&path)? != text {
                return Err(format!("{run}/{name} is not what this program writes").into());
            }
        }
    }
    Ok(())
}
