//! What is said to the person who fills a sheet in.

use super::Run;

/// How the sheet is filled in, one sentence each.
pub(super) fn instructions(run: &Run) -> Vec<String> {
    let (what, unit) = (run.unit.stem(), run.unit.shown());
    let mut lines = vec![
        "Run the rows from top to bottom, with the number of pulses that stands there; if you ran \
         another number, correct it."
            .to_owned(),
        format!(
            "Write the {what} in {unit}, as read, down to the part of a division that you can \
             tell. Do not round, and do not average repeats."
        ),
    ];
    if run.beside.start {
        lines.push(
            "Write what stood in the vessel before the train as well; it is subtracted.".to_owned(),
        );
    } else {
        lines.push("Empty the vessel before each train and let it drain the same time.".to_owned());
    }
    if run.unit.stem() == "volume" {
        lines.push(
            "Read the bottom of the meniscus at eye level, once the bubbles are gone.".to_owned(),
        );
    }
    lines.push(
        "Purge the air before the first row. Something went wrong: write why under \"leave out \
         because\"; the row stays in the record and is not used."
            .to_owned(),
    );
    lines.push("A row that was not run: delete it.".to_owned());
    lines
}

/// What can hurt, one sentence each.
pub(super) const CAUTIONS: [&str; 6] = [
    "Fuel and test fluid under pressure burn, and a jet injures skin and eyes: wear eye protection.",
    "Relieve the pressure and disconnect the battery before you open a line.",
    "Use a test fluid with a high flash point rather than petrol. Ventilate; keep every ignition source away.",
    "Have an extinguisher at hand.",
    "Fit new seals and check for leaks before you start.",
    "The makers' data sheets, local codes and qualified practice come before anything written here.",
];
