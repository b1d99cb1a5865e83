//! `fit --lines`: whichever way the rows are read and wherever they stand, an injector's lines
//! are those of the whole fit of its rows alone.

use std::io::Cursor;

use meniscus::capture::{Bench, CaptureFile, SetPoints, read_captures};
use meniscus::characterisation::write_line;
use meniscus::fit::{FitOptions, ModelChoice, SweepLine, fit_capture};
use meniscus::lines::{LinesError, LinesRequest, RowOrder, fit_lines};
use rand::seq::SliceRandom;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

const HEADER: &str =
    "injector,pulse_width_ms,pulses,volume_ml,voltage_v,pressure_kpa,period_ms,repeat";

/// Rows of invented injectors, each with its rows together.
fn rows(injectors: usize, seed: u64) -> Vec<Vec<String>> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut all = Vec::new();
    for injector in 0..injectors {
        let slope = rng.random_range(0.0045..0.0055);
        let mut own = Vec::new();
        for (volts, dead_time) in [("8", 1.1), ("14", 0.72)] {
            for kpa in ["250", "300"] {
                for width in ["0.9", "1.5", "2", "3.3", "5", "7", "10"] {
                    for repeat in 1..4 {
                        let ms: f64 = width.parse().unwrap();
                        let noise = rng.random_range(-0.02..0.02);
                        let ml = (1000.0 * slope * (ms - dead_time) + noise).max(0.0);
                        own.push(format!(
                            "INJ{injector:04},{width},1000,{ml:.3},{volts},{kpa},20,{repeat}"
                        ));
                    }
                }
            }
        }
        all.push(own);
    }
    all
}

fn text(rows: &[String]) -> String {
    format!("{HEADER}\n{}\n", rows.join("\n"))
}

fn request(order: RowOrder, model: ModelChoice) -> LinesRequest {
    LinesRequest {
        name: "run.csv".to_owned(),
        bench: Bench::default(),
        set_points: SetPoints::default(),
        fit: FitOptions {
            model,
            line_range_ms: Some([2.0, 10.0]),
            ..FitOptions::default()
        },
        order,
    }
}

fn lines(text: &str, request: &LinesRequest) -> Result<String, LinesError> {
    let mut out = Vec::new();
    fit_lines(
        Box::new(Cursor::new(text.as_bytes().to_vec())),
        &mut out,
        request,
    )?;
    Ok(String::from_utf8(out).unwrap())
}

/// The lines of the whole fit of each injector's rows alone.
fn expected(injectors: &[Vec<String>], options: &FitOptions) -> String {
    let mut out = Vec::new();
    for rows in injectors {
        let file = CaptureFile::new("run.csv", text(rows).into_bytes());
        let capture = read_captures(&[file], Bench::default(), SetPoints::default()).unwrap();
        for injector in fit_capture(&capture, options).injectors {
            for fit in &injector.sweeps {
                write_line(&SweepLine::of(&injector.id, fit), &mut out).unwrap();
            }
        }
    }
    String::from_utf8(out).unwrap()
}

fn fault(result: Result<String, LinesError>) -> (String, u64) {
    match result {
        Err(LinesError::Faults { faults, written }) => (faults[0].to_string(), written),
        other => panic!("{other:?}"),
    }
}

#[test]
fn lines_are_those_of_the_whole_fit_to_the_byte() {
    let injectors = rows(400, 1);
    let asked = request(RowOrder::Grouped, ModelChoice::Line);
    let want = expected(&injectors, &asked.fit);
    assert_eq!(want.lines().count(), 1600);
    let all = injectors.concat();
    // More than one block, so that injectors lie across their ends.
    assert!(text(&all).len() > 1 << 20);
    assert_eq!(lines(&text(&all), &asked).unwrap(), want);
    let gathered = request(RowOrder::Anywhere, ModelChoice::Line);
    assert_eq!(lines(&text(&all), &gathered).unwrap(), want);
    // Cells in quotes, comments and blank lines take the careful reader.
    let quoted = text(&all)
        .replace("INJ0007,", "\"INJ0007\",")
        .replace("\nINJ0300,0.9", "\n# note\n\nINJ0300,0.9");
    assert_eq!(lines(&quoted, &asked).unwrap(), want);
    assert_eq!(lines(&quoted, &gathered).unwrap(), want);
    // A stage column takes the way on which whole rows are kept.
    let staged: Vec<String> = all.iter().map(|row| format!("{row},as_received")).collect();
    let staged = format!("{HEADER},stage\n{}\n", staged.join("\n"));
    let want = want.replace("\"stage\":null", "\"stage\":\"as_received\"");
    assert_eq!(lines(&staged, &asked).unwrap(), want);
    assert_eq!(lines(&staged, &gathered).unwrap(), want);
}

#[test]
fn shuffled_rows_are_gathered_in_the_order_of_first_appearance() {
    let mut all = rows(40, 2).concat();
    all.shuffle(&mut ChaCha8Rng::seed_from_u64(3));
    let mut injectors: Vec<Vec<String>> = Vec::new();
    for row in &all {
        let id = row.split(',').next().unwrap();
        match injectors.iter_mut().find(|rows| rows[0].starts_with(id)) {
            Some(rows) => rows.push(row.clone()),
            None => injectors.push(vec![row.clone()]),
        }
    }
    for order in [RowOrder::AsFound, RowOrder::Anywhere] {
        let asked = request(order, ModelChoice::Line);
        let want = expected(&injectors, &asked.fit);
        assert_eq!(lines(&text(&all), &asked).unwrap(), want);
    }
}

/// Ids that are alike in their first eight bytes, and such as are nothing but these.
#[test]
fn long_and_short_ids_are_told_apart_wherever_their_rows_stand() {
    let ids = [
        "A",
        "A8",
        "SHOP-000",
        "SHOP-0001",
        "SHOP-0002",
        "SHOP-000 1",
    ];
    let renamed: Vec<Vec<String>> = rows(ids.len(), 5)
        .into_iter()
        .zip(ids)
        .map(|(own, id)| {
            let rest = own.iter().filter_map(|row| row.split_once(','));
            rest.map(|(_, rest)| format!("{id},{rest}")).collect()
        })
        .collect();
    let want = expected(
        &renamed,
        &request(RowOrder::Anywhere, ModelChoice::Line).fit,
    );
    // Row after row another injector; the first of each in the order of the ids.
    let rounds = 0..renamed[0].len();
    let mixed: Vec<String> = rounds
        .flat_map(|i| renamed.iter().map(move |own| own[i].clone()))
        .collect();
    let gathered = request(RowOrder::Anywhere, ModelChoice::Line);
    assert_eq!(lines(&text(&mixed), &gathered).unwrap(), want);
    // A quote sends the block to the careful reader.
    let quoted = text(&mixed).replacen("A,", "\"A\",", 1);
    assert_eq!(lines(&quoted, &gathered).unwrap(), want);
}

#[test]
fn other_models_and_near_set_points_take_the_long_way_to_the_same_end() {
    let mut injectors = rows(2, 4);
    // 14.02 V beside 14 V is one set point.
    for row in injectors[1].iter_mut().step_by(2) {
        *row = row.replace(",14,", ",14.02,");
    }
    for model in [ModelChoice::Line, ModelChoice::Auto] {
        for order in [RowOrder::Grouped, RowOrder::Anywhere] {
            let asked = request(order, model);
            let got = lines(&text(&injectors.concat()), &asked).unwrap();
            assert_eq!(got, expected(&injectors, &asked.fit));
        }
    }
}

#[test]
fn an_injector_that_comes_back_is_a_fault_with_its_line() {
    let injectors = rows(3, 5);
    let mut all = injectors.concat();
    all.push(injectors[0][0].clone());
    let asked = request(RowOrder::Grouped, ModelChoice::Line);
    let (told, written) = fault(lines(&text(&all), &asked));
    assert!(
        told.starts_with(&format!("run.csv:{}: column injector", all.len() + 1)),
        "{told}"
    );
    assert!(
        told.contains("ended at line 85") && told.contains("--gather"),
        "{told}"
    );
    assert!(written <= 12);
    assert!(lines(&text(&all), &request(RowOrder::AsFound, ModelChoice::Line)).is_ok());
}

#[test]
fn faults_have_line_and_column_as_always() {
    let mut all = rows(3, 6).concat();
    all[100] = all[100].replace(",1000,", ",1000.5,");
    let asked = request(RowOrder::Grouped, ModelChoice::Line);
    for order in [RowOrder::Grouped, RowOrder::Anywhere] {
        let (told, _) = fault(lines(&text(&all), &request(order, ModelChoice::Line)));
        assert!(
            told.starts_with("run.csv:102: column pulses: found \"1000.5\""),
            "{told}"
        );
    }
    let (told, _) = fault(lines(&format!("{HEADER}\n"), &asked));
    assert!(told.contains("a header and no rows"), "{told}");
    let (told, _) = fault(lines("", &asked));
    assert!(told.contains("no text"), "{told}");
    let (told, _) = fault(lines(&format!("{HEADER}\n{}", "1".repeat(3 << 20)), &asked));
    assert!(
        told.starts_with("run.csv:2: found a line of more than"),
        "{told}"
    );
    let open = format!("{HEADER}\n\"A,2,1000,9,14,300,20,1\nB,2,1000,9,14,300,20,1\n");
    assert!(
        fault(lines(&open, &asked))
            .0
            .contains("a quote that is not closed")
    );
}

#[test]
fn every_field_of_a_line_stands_in_the_format() {
    let asked = request(RowOrder::Grouped, ModelChoice::Line);
    let line = lines(&text(&rows(1, 7)[0]), &asked).unwrap();
    let value: serde_json::Value = serde_json::from_str(line.lines().next().unwrap()).unwrap();
    let format = std::fs::read_to_string("docs/format.md").unwrap();
    let section = &format[format.find("## Lines").expect("a section on lines")..];
    for key in value.as_object().unwrap().keys() {
        assert!(section.contains(&format!("`{key}`")), "{key}");
    }
}
