//! What every plot is drawn on and with: size, colours, font, and the two forms it leaves in.
//!
//! Colours are of the Okabe-Ito palette (Okabe & Ito, Color Universal Design, 2008), told apart
//! with any colour vision; whatever a colour says, a shape or a word says too.

use std::sync::OnceLock;

use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{FontFamily, register_font};

use crate::report::ReportError;

static FONT: &[u8] = include_bytes!("../../../assets/DejaVuSans-subset.ttf");

/// Drawn pixels a pixel of the page, so that lines stay fine on any screen and in print.
const SCALE: u32 = 2;

/// The colours by what they stand for, and the page's variable of the same meaning.
pub(super) mod ink {
    use plotters::style::RGBColor;

    pub(in super::super) const TEXT: RGBColor = RGBColor(0x1B, 0x27, 0x33);
    pub(in super::super) const SOFT: RGBColor = RGBColor(0x55, 0x65, 0x73);
    pub(in super::super) const GRID: RGBColor = RGBColor(0xDD, 0xE3, 0xE8);
    pub(in super::super) const READING: RGBColor = RGBColor(0x8A, 0x99, 0xA6);
    pub(in super::super) const STATE: RGBColor = RGBColor(0x00, 0x72, 0xB2);
    pub(in super::super) const BEYOND: RGBColor = RGBColor(0xD5, 0x5E, 0x00);
    pub(in super::super) const WITHIN: RGBColor = RGBColor(0xE2, 0xEE, 0xF5);
    pub(in super::super) const GAP: RGBColor = RGBColor(0xEE, 0xF1, 0xF4);
    pub(in super::super) const PAPER: RGBColor = RGBColor(0xFF, 0xFF, 0xFF);

    /// Variables of the page's style sheet that replace the colours there.
    pub(super) const VARIABLES: [(RGBColor, &str); 9] = [
        (TEXT, "--text"),
        (SOFT, "--soft"),
        (GRID, "--grid"),
        (READING, "--reading"),
        (STATE, "--state"),
        (BEYOND, "--beyond"),
        (WITHIN, "--within"),
        (GAP, "--gap"),
        (PAPER, "--paper"),
    ];
}

/// Something that can be drawn.
pub(super) trait Scene {
    /// Width and height in pixels of the page.
    fn size(&self) -> (u32, u32);

    /// Draws itself.
    fn draw<DB: DrawingBackend>(&self, paper: &Paper<DB>) -> Drawn<DB>;
}

pub(super) type Drawn<DB> = Result<(), DrawingAreaErrorKind<<DB as DrawingBackend>::ErrorType>>;

/// A drawing area with its scale.
pub(super) struct Paper<DB: DrawingBackend> {
    pub(super) area: DrawingArea<DB, Shift>,
}

impl<DB: DrawingBackend> Paper<DB> {
    /// Drawn pixels of a length in pixels of the page.
    pub(super) fn px(&self, length: f64) -> i32 {
        (length * f64::from(SCALE)).round() as i32
    }

    pub(super) fn line(&self, colour: RGBColor, width: f64) -> ShapeStyle {
        ShapeStyle {
            color: colour.to_rgba(),
            filled: false,
            stroke_width: self.px(width).max(1) as u32,
        }
    }

    pub(super) fn text(
        &self,
        colour: RGBColor,
        size: f64,
        across: HPos,
        down: VPos,
    ) -> TextStyle<'static> {
        // Backends draw a size of 1.24 em.
        let font = ("sans-serif", size * f64::from(SCALE) * 1.24).into_font();
        TextStyle { color: colour.to_backend_color(), ..TextStyle::from(font) }
            .pos(Pos::new(across, down))
    }

    /// A polyline of broken strokes.
    pub(super) fn dashes(
        &self,
        from: (i32, i32),
        to: (i32, i32),
        style: ShapeStyle,
        dash: (f64, f64),
    ) -> Drawn<DB> {
        let (on, off) = (f64::from(self.px(dash.0)), f64::from(self.px(dash.1)));
        let (dx, dy) = (f64::from(to.0 - from.0), f64::from(to.1 - from.1));
        let length = dx.hypot(dy);
        let at = |along: f64| {
            let share = (along / length).min(1.0);
            (from.0 + (dx * share).round() as i32, from.1 + (dy * share).round() as i32)
        };
        let mut along = 0.0;
        while along < length {
            self.area.draw(&PathElement::new(vec![at(along), at(along + on)], style))?;
            along += on + off;
        }
        Ok(())
    }

    /// Width of a text in drawn pixels.
    pub(super) fn width_of(&self, text: &str, style: &TextStyle<'_>) -> i32 {
        self.area.estimate_text_size(text, style).map_or(0, |size| size.0 as i32)
    }

    /// The text, cut with an ellipsis to at most `width` drawn pixels.
    pub(super) fn fitted(&self, text: &str, style: &TextStyle<'_>, width: i32) -> String {
        if self.width_of(text, style) <= width {
            return text.to_owned();
        }
        let mut kept: Vec<char> = text.chars().collect();
        loop {
            kept.pop();
            let cut = format!("{}…", kept.iter().collect::<String>().trim_end());
            if kept.is_empty() || self.width_of(&cut, style) <= width {
                return cut;
            }
        }
    }
}

/// A plot in both forms, with its words.
#[derive(Debug, Clone)]
pub(crate) struct Figure {
    /// Name for files and for elements of the page.
    pub(crate) name: String,
    /// What it shows, in a few words.
    pub(crate) title: String,
    /// What a person who cannot see it needs to know.
    pub(crate) description: String,
    /// A file of its own.
    pub(crate) svg: String,
    /// The same for a narrow screen; `None` when the wide form is narrow enough.
    pub(crate) narrow_svg: Option<String>,
    /// The same as pixels.
    pub(crate) png: Vec<u8>,
}

impl Figure {
    pub(super) fn of<S: Scene>(
        name: String,
        words: (String, String),
        wide: &S,
        narrow: Option<&S>,
    ) -> Result<Self, ReportError> {
        Ok(Self {
            svg: svg(wide)?,
            narrow_svg: narrow.map(svg).transpose()?,
            png: png(wide)?,
            name,
            title: words.0,
            description: words.1,
        })
    }

    /// The wide form for the page.
    pub(crate) fn inline(&self) -> String {
        inline(&self.svg, &self.name, &self.title, &self.description)
    }

    /// The narrow form for the page.
    pub(crate) fn inline_narrow(&self) -> Option<String> {
        let name = format!("{}-narrow", self.name);
        self.narrow_svg.as_ref().map(|svg| inline(svg, &name, &self.title, &self.description))
    }
}

fn ready() -> Result<(), ReportError> {
    static READY: OnceLock<bool> = OnceLock::new();
    let ready = READY.get_or_init(|| {
        register_font(FontFamily::SansSerif.as_str(), FontStyle::Normal, FONT).is_ok()
    });
    if *ready { Ok(()) } else { Err(ReportError::Plot("the embedded font is damaged".to_owned())) }
}

fn failed(error: impl std::fmt::Display) -> ReportError {
    ReportError::Plot(error.to_string())
}

fn drawn_size<S: Scene>(scene: &S) -> (u32, u32) {
    let (width, height) = scene.size();
    (width * SCALE, height * SCALE)
}

fn svg<S: Scene>(scene: &S) -> Result<String, ReportError> {
    ready()?;
    let mut text = String::new();
    {
        let area = SVGBackend::with_string(&mut text, drawn_size(scene)).into_drawing_area();
        area.fill(&ink::PAPER).map_err(failed)?;
        let paper = Paper { area };
        scene.draw(&paper).map_err(failed)?;
        paper.area.present().map_err(failed)?;
    }
    Ok(text.replace(" opacity=\"1\"", ""))
}

fn png<S: Scene>(scene: &S) -> Result<Vec<u8>, ReportError> {
    ready()?;
    let (width, height) = drawn_size(scene);
    let mut pixels = vec![0u8; width as usize * height as usize * 3];
    {
        let area = BitMapBackend::with_buffer(&mut pixels, (width, height)).into_drawing_area();
        area.fill(&ink::PAPER).map_err(failed)?;
        let paper = Paper { area };
        scene.draw(&paper).map_err(failed)?;
        paper.area.present().map_err(failed)?;
    }
    let mut bytes = Vec::new();
    let encoder = image::codecs::png::PngEncoder::new(&mut bytes);
    image::ImageEncoder::write_image(encoder, &pixels, width, height, image::ColorType::Rgb8)
        .map_err(failed)?;
    Ok(bytes)
}

/// A plot's SVG as an element of the page: its colours become the page's variables, its size the
/// page's concern, its words its alternative text.
fn inline(svg: &str, name: &str, title: &str, description: &str) -> String {
    let body = svg.find('>').map_or(svg, |end| &svg[end + 1..]);
    let view = svg.split_once("viewBox=\"").and_then(|(_, rest)| rest.split_once('"'));
    let view = view.map_or("0 0 1 1", |(view, _)| view);
    let mut body = body.replace(" font-family=\"sans-serif\"", "");
    for (RGBColor(r, g, b), variable) in ink::VARIABLES {
        let hex = format!("#{r:02X}{g:02X}{b:02X}");
        for attribute in ["fill", "stroke"] {
            body = body.replace(
                &format!("{attribute}=\"{hex}\""),
                &format!("{attribute}=\"var({variable})\""),
            );
        }
    }
    format!(
        "<svg viewBox=\"{view}\" role=\"img\" aria-labelledby=\"{name}-t {name}-d\">\
         <title id=\"{name}-t\">{}</title><desc id=\"{name}-d\">{}</desc>{body}",
        escaped(title),
        escaped(description),
    )
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Label;

    impl Scene for Label {
        fn size(&self) -> (u32, u32) {
            (120, 40)
        }

        fn draw<DB: DrawingBackend>(&self, paper: &Paper<DB>) -> Drawn<DB> {
            let style = paper.text(ink::BEYOND, 12.0, HPos::Left, VPos::Top);
            paper.area.draw_text("<fill=\"#D55E00\"> µA ±", &style, (4, 4))
        }
    }

    #[test]
    fn colours_become_variables_and_labels_stay_text() {
        let text = inline(&svg(&Label).unwrap(), "x", "a < b", "d & e");
        assert!(text.starts_with("<svg viewBox=\"0 0 240 80\" role=\"img\""), "{text}");
        assert!(text.contains("<title id=\"x-t\">a &lt; b</title>"));
        assert!(text.contains("fill=\"var(--beyond)\""));
        assert!(text.contains("&lt;fill=&quot;#D55E00&quot;&gt; µA ±"));
        assert!(!text.contains("fill=\"#"));
    }

    #[test]
    fn pixels_show_the_marks_of_the_trade() {
        let image = |text: &'static str| {
            struct Word(&'static str);
            impl Scene for Word {
                fn size(&self) -> (u32, u32) {
                    (60, 30)
                }
                fn draw<DB: DrawingBackend>(&self, paper: &Paper<DB>) -> Drawn<DB> {
                    let style = paper.text(ink::TEXT, 14.0, HPos::Left, VPos::Top);
                    paper.area.draw_text(self.0, &style, (4, 4))
                }
            }
            png(&Word(text)).unwrap()
        };
        // A mark that the subset lacks would leave the paper white.
        let blank = image(" ");
        for mark in ["µ", "±", "Ω", "≤", "≥", "✓", "✗", "×", "–", "…", "é", "ß", "Ж"]
        {
            assert_ne!(image(mark), blank, "{mark}");
        }
        assert_eq!(image("µA"), image("µA"));
    }
}
