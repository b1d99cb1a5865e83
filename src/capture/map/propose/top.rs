//! What stands above the sections of a proposed mapping file.

use super::Proposer;
use crate::capture::map::draft::{Line, quoted};
use crate::capture::map::marks::writing;
use crate::capture::map::view::Foreign;

impl Proposer<'_> {
    /// What stands above the sections; returns the columns that are not read.
    pub(super) fn top(&mut self, foreign: &Foreign) -> Vec<String> {
        let say = |key: &str, value: String| Line::Say(key.to_owned(), value);
        let mut top = Vec::new();
        if let (Some(sheet), false) = (&foreign.grid.sheet, foreign.other_sheets.is_empty()) {
            top.push(say("sheet", quoted(sheet)));
        }
        if let Some(separator) = foreign.separator {
            top.push(say("separator", quoted(&char::from(separator).to_string())));
        }
        let numbers =
            (0..self.columns.len()).filter(|at| self.used[*at] && !self.counts.contains(at));
        let cells = |at: usize| self.columns[at].cells.iter().map(String::as_str);
        let mut found = writing(
            numbers.flat_map(cells),
            self.counts.iter().copied().flat_map(cells),
        );
        // Where commas part the cells a point is a decimal point.
        if found.unclear == Some('.') && foreign.separator == Some(b',') {
            (found.decimal, found.unclear) = (Some('.'), None);
        }
        // A workbook's number cells need no mark.
        if let Some(mark) = found.decimal.filter(|_| foreign.separator != Some(b',')) {
            top.push(say("decimal", quoted(&mark.to_string())));
        }
        if let Some(mark) = found.thousands {
            top.push(say("thousands", quoted(&mark.to_string())));
        }
        if let Some(mark) = found.unclear {
            let mark = quoted(&mark.to_string());
            let options = ["decimal", "thousands"].map(|key| (key.to_owned(), mark.clone()));
            let question =
                format!("is the {mark} in the numbers a decimal mark or a thousands separator?");
            top.push(Line::Ask(question, options.to_vec()));
        }
        if self.shape.turned {
            let remark = "What stands in columns elsewhere stands in rows here: skip and header count columns.";
            top.push(Line::Remark(remark.to_owned()));
            top.push(say("transposed", "true".to_owned()));
        }
        if self.shape.skip() > 0 {
            top.push(say("skip", self.shape.skip().to_string()));
        }
        if self.shape.header.len() != 1 {
            top.push(say("header", self.shape.header.len().to_string()));
        }
        let mut filled = Vec::new();
        self.draft.top.retain(|line| match line {
            Line::Say(key, value) if key == "fill_down" => {
                filled.push(quoted(value));
                false
            }
            _ => true,
        });
        top.append(&mut self.draft.top);
        if !filled.is_empty() {
            top.push(say("fill_down", format!("[{}]", filled.join(", "))));
        }
        self.shape.pass_over.sort();
        self.shape.pass_over.dedup();
        let list = |texts: &[String]| {
            let all: Vec<String> = texts.iter().map(|text| quoted(text)).collect();
            format!("[{}]", all.join(", "))
        };
        if !self.shape.pass_over.is_empty() {
            top.push(say("pass_over", list(&self.shape.pass_over)));
        }
        if let Some(text) = &self.shape.ends_at {
            top.push(say("ends_at", list(std::slice::from_ref(text))));
        }
        let not_read: Vec<String> = (0..self.columns.len())
            .filter(|at| !self.used[*at] && !self.columns[*at].cells.is_empty())
            .map(|at| self.columns[at].name.clone())
            .collect();
        if !not_read.is_empty() {
            top.push(say("ignore", list(&not_read)));
        }
        self.draft.top = top;
        not_read
    }
}
