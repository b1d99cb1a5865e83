//! A sheet to draw on, in pixels of a page 800 wide; ends as SVG text.

use std::cell::RefCell;

use plotters::coord::Shift;
use plotters::drawing::DrawingArea;
use plotters::element::{Circle, Drawable, PathElement, PointCollection, Polygon, Rectangle, Text};
use plotters::prelude::{Color, IntoDrawingArea, IntoFont, RGBColor, SVGBackend, ShapeStyle};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{FontStyle, TextStyle};

use super::Picture;
use super::colour::{INK, PAPER};
use super::text::visible;
use crate::words::Voice;

/// The backend counts whole pixels: drawing at twice the size keeps halves.
const FINE: f64 = 2.0;
/// plotters divides font sizes by this on the way into SVG.
const FONT_FACTOR: f64 = 1.24;

/// Where text stands relative to its point.
#[derive(Clone, Copy)]
pub(super) enum Align {
    Left,
    Middle,
    Right,
}

/// How text looks.
#[derive(Clone, Copy)]
pub(super) struct Type {
    pub size: f64,
    pub bold: bool,
    pub colour: RGBColor,
    pub align: Align,
}

/// Text of the usual size.
pub(super) fn body(align: Align) -> Type {
    Type {
        size: 12.0,
        bold: false,
        colour: INK,
        align,
    }
}

/// The sheet. Positions are pixels from the top left; those that are not finite are not drawn.
pub(super) struct Canvas<'a> {
    area: DrawingArea<SVGBackend<'a>, Shift>,
    /// Words and figures of this picture.
    pub voice: Voice,
    /// What the groups opened so far say, in order.
    groups: RefCell<Vec<Group>>,
}

/// What a group of marks belongs to and says when it is pointed at.
#[derive(Default)]
pub(super) struct Group {
    /// Number of the injector in the file, from 0, where the group is one injector's.
    pub injector: Option<usize>,
    /// What the mark shows, in words; empty where nothing is said.
    pub says: String,
}

type Point = (i32, i32);

impl Canvas<'_> {
    fn put<E>(&self, element: &E)
    where
        for<'b> &'b E: PointCollection<'b, Point>,
        for<'b, 'c> E: Drawable<SVGBackend<'c>>,
    {
        self.area
            .draw(element)
            .expect("drawing into a string cannot fail");
    }

    /// Draws into a group: marks of one injector, or one mark with words of its own.
    ///
    /// plotters knows no groups. A circle without radius marks begin and end in
    /// its text, and is exchanged afterwards; user text cannot make an element.
    pub fn group(&self, group: Group, draw: impl FnOnce(&Self)) {
        let begin = {
            let mut groups = self.groups.borrow_mut();
            groups.push(group);
            groups.len()
        };
        let begin = i32::try_from(begin).expect("a picture has fewer groups than i32 counts");
        self.put(&Circle::new((begin, 0), 0, INK.filled()));
        draw(self);
        self.put(&Circle::new((0, 0), 0, INK.filled()));
    }

    /// A line through points.
    pub fn line(&self, points: &[(f64, f64)], width: f64, colour: RGBColor) {
        if let Some(points) = fine(points) {
            self.put(&PathElement::new(points, stroke(colour, width)));
        }
    }

    /// A filled shape, `opacity` 0 to 1.
    pub fn shape(&self, corners: &[(f64, f64)], colour: RGBColor, opacity: f64) {
        if let Some(corners) = fine(corners) {
            self.put(&Polygon::new(corners, colour.mix(opacity).filled()));
        }
    }

    /// A filled rectangle from corner to corner.
    pub fn rectangle(&self, from: (f64, f64), to: (f64, f64), colour: RGBColor) {
        self.tint(from, to, colour, 1.0);
    }

    /// The same, `opacity` 0 to 1.
    pub fn tint(&self, from: (f64, f64), to: (f64, f64), colour: RGBColor, opacity: f64) {
        if let Some(corners) = fine(&[from, to]) {
            let style = colour.mix(opacity).filled();
            self.put(&Rectangle::new([corners[0], corners[1]], style));
        }
    }

    /// A disc, or a ring where it is `open`.
    pub fn circle(&self, at: (f64, f64), radius: f64, colour: RGBColor, open: bool) {
        if let Some(at) = fine(&[at]) {
            let radius = (radius * FINE).round() as i32;
            if open {
                self.put(&Circle::new(at[0], radius, PAPER.filled()));
                self.put(&Circle::new(at[0], radius, stroke(colour, 1.5)));
            } else {
                self.put(&Circle::new(at[0], radius, colour.filled()));
            }
        }
    }

    /// Text on one line, its middle height at the point. User text is made visible.
    pub fn text(&self, at: (f64, f64), text: &str, look: Type) {
        let Some(at) = fine(&[at]) else { return };
        let anchor = match look.align {
            Align::Left => HPos::Left,
            Align::Middle => HPos::Center,
            Align::Right => HPos::Right,
        };
        let font = ("sans-serif", look.size * FINE * FONT_FACTOR).into_font();
        let font = if look.bold {
            font.style(FontStyle::Bold)
        } else {
            font
        };
        let style = TextStyle::from(font)
            .color(&look.colour)
            .pos(Pos::new(anchor, VPos::Center));
        self.put(&Text::new(visible(text), at[0], style));
    }
}

fn stroke(colour: RGBColor, width: f64) -> ShapeStyle {
    ShapeStyle {
        color: colour.to_rgba(),
        filled: false,
        stroke_width: (width * FINE).round().max(1.0) as u32,
    }
}

fn fine(points: &[(f64, f64)]) -> Option<Vec<Point>> {
    points
        .iter()
        .map(|&(x, y)| {
            let whole = |v: f64| (v * FINE).round() as i32;
            (x.is_finite() && y.is_finite()).then(|| (whole(x), whole(y)))
        })
        .collect()
}

/// What a picture is called and says.
pub(super) struct Caption {
    pub file_stem: String,
    pub title: String,
    pub alt: String,
}

/// Draws a picture of `width` by `height` pixels and puts its title and text alternative in.
pub(super) fn picture(
    caption: Caption,
    (width, height): (f64, f64),
    voice: Voice,
    draw: impl FnOnce(&Canvas<'_>),
) -> Picture {
    let mut drawn = String::new();
    let groups;
    {
        let size = (
            (width * FINE).round() as u32,
            (height * FINE).round() as u32,
        );
        let canvas = Canvas {
            area: SVGBackend::with_string(&mut drawn, size).into_drawing_area(),
            voice,
            groups: RefCell::default(),
        };
        canvas.rectangle((0.0, 0.0), (width, height), PAPER);
        draw(&canvas);
        canvas
            .area
            .present()
            .expect("drawing into a string cannot fail");
        groups = canvas.groups.take();
    }
    let body = compact(drawn.split_once('>').map_or("", |(_, body)| body), &groups);
    let title = visible(&caption.title);
    let alt = visible(&caption.alt);
    let svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}\" height=\"{height}\" \
         viewBox=\"0 0 {} {}\" font-family=\"sans-serif\" role=\"img\" aria-label=\"{}\">\n\
         <title>{}</title>\n<desc>{}</desc>{body}",
        width * FINE,
        height * FINE,
        escaped(&title),
        escaped(&title),
        escaped(&alt),
    );
    Picture {
        file_stem: caption.file_stem,
        title,
        alt,
        svg,
    }
}

/// Leaves out what is said on each element although it is the default, and puts
/// the groups in. Quotes in user text are written as entities, so nothing of it
/// can match.
fn compact(drawn: &str, groups: &[Group]) -> String {
    let mut body = String::with_capacity(drawn.len());
    for line in drawn.lines() {
        if line.starts_with("<circle") && line.contains(" r=\"0\"") {
            body.push_str(&boundary(line, groups));
            continue;
        }
        let line = line
            .replace(" opacity=\"1\"", "")
            .replace(" font-family=\"sans-serif\"", "")
            .replace(" stroke=\"none\" stroke-width=\"1\"", "")
            .replace(" stroke=\"none\"", "");
        let line = short_size(&line);
        if let Some(ring) = ring(&body, &line) {
            body.truncate(body.len() - ring.len());
            body.push_str(&line.replace("fill=\"none\"", PAPER_FILL));
        } else {
            body.push_str(&line);
        }
        body.push('\n');
    }
    body
}

const PAPER_FILL: &str = "fill=\"#FFFFFF\"";

/// The disc of paper that the last line drew, where this line is the ring about it:
/// one circle can be both.
fn ring<'a>(body: &'a str, line: &str) -> Option<&'a str> {
    let (place, _) = line.split_once(" fill=\"none\"")?;
    let disc = body.get(body.trim_end().rfind('\n')? + 1..)?;
    let same = disc.starts_with("<circle") && disc.starts_with(place) && disc.contains(PAPER_FILL);
    same.then_some(disc)
}

/// A font size with as many digits as can be seen.
fn short_size(line: &str) -> String {
    let short = || {
        let (before, rest) = line.split_once("font-size=\"")?;
        let (size, after) = rest.split_once('"')?;
        let size = (size.parse::<f64>().ok()? * 10.0).round() / 10.0;
        Some(format!("{before}font-size=\"{size}\"{after}"))
    };
    short().unwrap_or_else(|| line.to_owned())
}

/// The begin or end of a group that a circle without radius stands for.
fn boundary(line: &str, groups: &[Group]) -> String {
    let number = line
        .split_once("cx=\"")
        .and_then(|(_, tail)| tail.split_once('"')?.0.parse::<usize>().ok());
    let Some(group) = number.and_then(|n| groups.get(n.checked_sub(1)?)) else {
        return "</g>\n".to_owned();
    };
    let mut begin = "<g".to_owned();
    if let Some(injector) = group.injector {
        begin.push_str(&format!(" data-i=\"{injector}\""));
    }
    begin.push('>');
    if !group.says.is_empty() {
        let says = escaped(&visible(&group.says));
        begin.push_str(&format!("<title>{says}</title>"));
    }
    begin.push('\n');
    begin
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
        .replace('\'', "&apos;")
}
