//! What is told about readings and benches, each with its facts, and where it is not told.

use meniscus::finding::Kind;
use meniscus::fit::{ModelChoice, SweepFit};

use super::by_hand::{near, sweeps};

const BENCH: &str =
    "[vessel]\nkind = \"graduated cylinder\"\ncapacity = \"100 ml\"\ndivision = \"1 ml\"\n";

/// Twelve widths of three readings of 1000 pulses, 5 mm³/ms and 0.8 ms of dead time; the middle
/// reading of 14 ms (66 mL) is off.
fn with_one_off(volume: f64, bench: &str) -> SweepFit {
    let mut rows = String::new();
    for width in [2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 14, 16] {
        let right = 5.0 * (f64::from(width) - 0.8);
        let middle = if width == 14 { volume } else { right };
        for read in [right - 0.2, middle, right + 0.2] {
            rows += &format!("A,{width},20,1000,,{read:.1},14\n");
        }
    }
    sweeps(&rows, bench, ModelChoice::Auto).remove(0)
}

/// How far a reading is off says what usually does that: a number of divisions of 1 mL, a ratio,
/// or neither, with its sign.
#[test]
fn a_reading_that_is_off_is_told_with_its_usual_cause() {
    for (volume, cause) in [
        (56.0, "Close to 10 divisions: a misread scale?"),
        (71.0, "Close to 5 divisions: a misread scale?"),
        (46.0, "Close to 20 divisions: a misread scale?"),
        (33.0, "About half what is expected: miscounted pulses?"),
        (6.6, "About a tenth of what is expected: miscounted pulses?"),
        (58.4, "A bubble, a leak or an early stop?"),
        (73.6, "A late stop or a vessel not emptied?"),
    ] {
        let sweep = with_one_off(volume, BENCH);
        let found: Vec<_> = sweep
            .findings
            .iter()
            .filter(|f| matches!(f.kind, Kind::ReadingSetAside | Kind::ReadingSuspect))
            .collect();
        assert_eq!(found.len(), 1, "{volume}: {found:?}");
        assert_eq!(found[0].facts["cause"], cause, "{volume}");
        // About the 66 mL that all others say, to half the noise of one.
        let size = found[0].facts["size"].as_f64().unwrap();
        assert!(
            (size - 1000.0 * (volume - 66.0)).abs() < 150.0,
            "{volume}: {size}"
        );
    }
}

fn tells(sweep: &SweepFit, kind: Kind) -> bool {
    sweep.findings.iter().any(|f| f.kind == kind)
}

/// Each thing that the bench file leaves open is told alone.
#[test]
fn what_the_bench_file_leaves_open_is_told() {
    let stated = format!("{BENCH}reading_offset_uncertainty = \"0.3 ml\"\n");
    for (bench, not_stated, assumed) in [
        ("", true, false),
        (BENCH, false, true),
        (&stated, false, false),
    ] {
        let sweep = with_one_off(66.0, bench);
        assert_eq!(tells(&sweep, Kind::BenchNotStated), not_stated, "{bench}");
        assert_eq!(tells(&sweep, Kind::OffsetAssumed), assumed, "{bench}");
        assert!(
            !tells(&sweep, Kind::OffsetNotInLine),
            "{bench}: a curve has it"
        );
    }
}

/// Held open 10 s an injector gives 51.5 mL, so 5.15 mm³/ms: 3 % more than in pulses. Of 2 %
/// and less nothing is told.
#[test]
fn a_static_flow_that_differs_is_told_from_two_percent_on() {
    let told = |volume: f64| {
        let mut rows = String::new();
        for width in [2.0, 4.0, 6.0, 8.0, 10.0] {
            for read in [-0.1, 0.1] {
                rows += &format!("A,{width},20,1000,,{:.2},14\n", 5.0 * (width - 0.8) + read);
            }
        }
        rows += &format!("A,,,,10,{volume},14\n");
        let sweep = sweeps(&rows, BENCH, ModelChoice::Line).remove(0);
        let finding = sweep
            .findings
            .iter()
            .find(|f| f.kind == Kind::StaticDiffers);
        finding.map(|f| f.facts["percent"].as_f64().unwrap())
    };
    near(told(51.5).unwrap(), 3.0, 1e-9);
    near(told(48.5).unwrap(), -3.0, 1e-9);
    assert_eq!((told(50.8), told(49.2)), (None, None));
}
