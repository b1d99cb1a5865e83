//! A sheet to draw on, in pixels of a page 800 wide; ends as SVG text.

use plotters::coord::Shift;
use plotters::drawing::DrawingArea;
use plotters::element::{Circle, Drawable, PathElement, PointCollection, Polygon, Rectangle, Text};
use plotters::prelude::{Color, IntoDrawingArea, IntoFont, RGBColor, SVGBackend, ShapeStyle};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{FontStyle, TextStyle};

use super::Picture;
use super::colour::{INK, PAPER};
use crate::finding::visible;

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
        if let Some(corners) = fine(&[from, to]) {
            self.put(&Rectangle::new([corners[0], corners[1]], colour.filled()));
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
    draw: impl FnOnce(&Canvas<'_>),
) -> Picture {
    let mut drawn = String::new();
    {
        let size = (
            (width * FINE).round() as u32,
            (height * FINE).round() as u32,
        );
        let canvas = Canvas {
            area: SVGBackend::with_string(&mut drawn, size).into_drawing_area(),
        };
        canvas.rectangle((0.0, 0.0), (width, height), PAPER);
        draw(&canvas);
        canvas
            .area
            .present()
            .expect("drawing into a string cannot fail");
    }
    let body = drawn
        .split_once('>')
        .map_or("", |(_, body)| body)
        // Said on each element although it is the default. Quotes in user text
        // are written as entities, so nothing else can match.
        .replace(" opacity=\"1\"", "")
        .replace(" font-family=\"sans-serif\"", "");
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

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
        .replace('\'', "&apos;")
}
