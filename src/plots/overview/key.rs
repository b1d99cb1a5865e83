//! The key on top of the picture: signs and what they mean, in lines.

use plotters::style::RGBColor;

use super::ACROSS;
use crate::plots::canvas::{Align, Canvas, body};
use crate::plots::colour::{QUIET, RULE, SHADE};
use crate::plots::frame::{cross, mark_sized, whisker};
use crate::plots::text::{fitted, room};

/// Pixels from one line to the next, and around a sign.
const LINE: f64 = 20.0;
const SIGN: f64 = 26.0;
const SPACE: f64 = 14.0;
const LEFT: f64 = 16.0;

/// What stands in the pictures.
#[derive(Clone, Copy)]
pub(super) enum Sign {
    Mark(usize, RGBColor),
    Cross,
    Thick,
    Thin,
    Shade,
    Interval,
    Ring,
    Limit,
    Beyond,
}

/// Left edge and line of each sign; what is long is cut.
fn places(signs: &[(String, Sign)]) -> Vec<(f64, usize)> {
    let (mut column, mut line) = (LEFT, 0);
    signs
        .iter()
        .map(|(words, _)| {
            let wide = SIGN + room(&fitted(words, 190.0, 12.0), 11.0) + SPACE;
            if column > LEFT && column + wide > ACROSS[1] {
                (column, line) = (LEFT, line + 1);
            }
            let place = (column, line);
            column += wide;
            place
        })
        .collect()
}

/// Height of the key.
pub(super) fn key_height(signs: &[(String, Sign)]) -> f64 {
    places(signs)
        .last()
        .map_or(0.0, |(_, line)| LINE * (*line as f64 + 1.0))
}

/// Draws the key with its first line at `top`.
pub(super) fn keys(canvas: &Canvas<'_>, top: f64, signs: &[(String, Sign)]) {
    for ((words, sign), (left, line)) in signs.iter().zip(places(signs)) {
        let at = (left + 10.0, top + LINE * line as f64);
        draw(canvas, *sign, at);
        canvas.text(
            (left + SIGN, at.1),
            &fitted(words, 190.0, 12.0),
            body(Align::Left),
        );
    }
}

fn draw(canvas: &Canvas<'_>, sign: Sign, (x, y): (f64, f64)) {
    let bar = |width: f64, colour| canvas.line(&[(x - 10.0, y), (x + 10.0, y)], width, colour);
    match sign {
        Sign::Mark(i, colour) => mark_sized(canvas, (x, y), i, colour, 4.5),
        Sign::Cross => cross(canvas, (x, y), QUIET),
        Sign::Thick => bar(2.0, QUIET),
        Sign::Thin => bar(0.5, QUIET),
        Sign::Shade => {
            canvas.rectangle((x - 10.0, y - 7.0), (x + 10.0, y + 7.0), SHADE);
            canvas.rectangle((x - 10.0, y + 5.5), (x + 10.0, y + 8.5), QUIET);
        }
        Sign::Interval => {
            let path: Vec<_> = whisker([(y - 8.0, false), (y + 8.0, false)], 4.0)
                .into_iter()
                .map(|(row, aside)| (x + aside, row))
                .collect();
            canvas.line(&path, 1.0, QUIET);
        }
        Sign::Ring => canvas.circle((x, y), 2.5, QUIET, true),
        Sign::Limit => bar(0.5, RULE),
        Sign::Beyond => canvas.shape(
            &[(x - 4.5, y - 4.0), (x, y + 4.0), (x + 4.5, y - 4.0)],
            QUIET,
            1.0,
        ),
    }
}
