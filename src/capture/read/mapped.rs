//! Reading a foreign sheet as a mapping file says.

use csv::StringRecord;

use super::{FileReading, unclear_marks};
use crate::capture::CaptureFile;
use crate::capture::fault::{Fault, Places};
use crate::capture::map::{MappedRows, Mapping, foreign_grid};
use crate::capture::number::Marks;
use crate::capture::row::Cells;

impl FileReading<'_> {
    /// Turns the sheet into plain rows and reads those.
    pub(super) fn read_mapped(&mut self, file: &CaptureFile, mapping: &Mapping) {
        let foreign = match foreign_grid(file, Some(mapping)) {
            Ok(foreign) => foreign,
            Err(fault) => return self.faults.push(*fault),
        };
        self.notes.windows_1252 = foreign.windows_1252;
        let grid = &foreign.grid;
        let mut places = Places {
            sheet: grid.sheet.clone(),
            ..Places::default()
        };
        self.faults.places = Some(places.clone());
        let Some(mut rows) = MappedRows::new(grid, mapping, &mut self.faults) else {
            return;
        };
        places.columns = rows.columns();
        self.notes.places = places.clone();
        self.faults.places = Some(places);
        let mut record = StringRecord::new();
        let mut marks = Marks::default();
        let mut used = None;
        // One row may give several readings, and a label holds for many rows: no row is
        // started, so that what is said once is complained about once.
        while let Some(line) = rows.next(&mut record, &mut self.faults) {
            if let Some(places) = &mut self.faults.places {
                places.row.clone_from(&rows.places);
            }
            let before = self.source.rows_used;
            let row = Cells::new(&record, &rows.kinds, line);
            self.read_row(&mapping.layout, row, foreign.decimal_comma, &mut marks);
            if self.source.rows_used > before && used.replace(line) == Some(line) {
                self.source.rows_used = before;
            }
            if let Some(places) = &mut self.faults.places {
                places.row.clear();
            }
        }
        self.source.rows = rows.rows;
        if rows.rows == 0 {
            let fault = Fault::whole("no row of readings", "rows below the names of the columns");
            self.faults
                .push(fault.hint("look at skip, header, pass_over and ends_at of the mapping"));
        }
        let unclear = unclear_marks(marks).or_else(|| {
            let alone = marks.unclear_comma > 0 && !marks.comma && !marks.point;
            alone.then(|| {
                let found = "a text as 1,234, which may be a thousand or one";
                Fault::row(marks.unclear_comma, found, "a number without doubt")
            })
        });
        if let Some(fault) = unclear {
            let hint =
                "say in the mapping decimal = \",\" or thousands = \",\", or the other way round";
            self.faults.push(fault.hint(hint));
        }
        self.notes.keep_amount_columns(&mapping.layout);
        self.faults.places = None;
    }
}
