//! The terminal: what goes to standard output, what to standard error, and how faults look.

use std::io::{self, IsTerminal, Write};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use miette::{
    Diagnostic, GraphicalReportHandler, GraphicalTheme, LabeledSpan, MietteError, SourceCode,
    SourceSpan, SpanContents,
};

use crate::capture::Progress;
use crate::fault::{Excerpt, InputFault};
use crate::findings::Caution;

use super::exit;

/// Where text goes and how it may look.
#[derive(Debug)]
pub(crate) struct Console {
    quiet: bool,
    colour: bool,
    colour_errors: bool,
    width: usize,
}

/// Widest text that is still read comfortably.
const WIDEST: usize = 100;

impl Console {
    /// Looks at the terminal once.
    pub(crate) fn new(quiet: bool) -> Self {
        let wanted = std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty());
        let width = terminal_size::terminal_size().map_or(80, |(width, _)| usize::from(width.0));
        Self {
            quiet,
            colour: wanted && io::stdout().is_terminal(),
            colour_errors: wanted && io::stderr().is_terminal(),
            width: width.clamp(40, WIDEST),
        }
    }

    /// Columns to fill.
    pub(crate) fn width(&self) -> usize {
        self.width
    }

    /// Whether colour may be used on standard output.
    pub(crate) fn colour(&self) -> bool {
        self.colour
    }

    /// Prints text whole on standard output. A reader that hung up is no error.
    pub(crate) fn print(&self, text: &str) -> Result<u8, InputFault> {
        self.print_bytes(text.as_bytes())
    }

    /// Prints bytes whole on standard output.
    pub(crate) fn print_bytes(&self, bytes: &[u8]) -> Result<u8, InputFault> {
        let mut out = io::stdout().lock();
        let written = out
            .write_all(bytes)
            .and_then(|()| if bytes.ends_with(b"\n") { Ok(()) } else { out.write_all(b"\n") });
        match written.and_then(|()| out.flush()) {
            Ok(()) => Ok(exit::DONE),
            Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(exit::DONE),
            Err(error) => Err(InputFault::of_file(
                "standard output",
                format!("cannot be written: {error}"),
                "send the output elsewhere",
            )),
        }
    }

    /// Prints a document as indented JSON, alone on standard output.
    pub(crate) fn print_json(&self, document: &impl serde::Serialize) -> Result<u8, InputFault> {
        let text = serde_json::to_string_pretty(document).map_err(|error| {
            InputFault::of_file(
                "result document",
                format!("cannot be written as JSON: {error}"),
                "report this as a defect of ebbmark",
            )
        })?;
        self.print(&text)
    }

    /// A line for the user on standard error.
    pub(crate) fn note(&self, text: &str) {
        if !self.quiet {
            let _ = writeln!(io::stderr(), "{text}");
        }
    }

    /// Cautions on standard error.
    pub(crate) fn cautions(&self, cautions: &[Caution]) {
        for caution in cautions {
            self.note(&format!("caution ({}): {}", caution.code, visible(&caution.text)));
        }
    }

    /// One message for one fault, with a pointer at the place where there is text to point at.
    pub(crate) fn fault(&self, fault: &InputFault) {
        let theme = if self.colour_errors {
            GraphicalTheme::unicode()
        } else {
            GraphicalTheme::unicode_nocolor()
        };
        let mut text = String::new();
        let drawn = GraphicalReportHandler::new_themed(theme)
            .with_width(self.width)
            .render_report(&mut text, &Drawn::of(fault));
        if drawn.is_err() {
            text = visible(&fault.to_string());
        }
        let _ = writeln!(io::stderr(), "{}", text.trim_end());
    }

    /// A bar on standard error while a file is read.
    pub(crate) fn reading(&self, name: &str) -> ReadingBar {
        let form = "reading {msg} {bar:24} {bytes}/{total_bytes} {bytes_per_sec}, {eta} left";
        let bar = self.bar(0, form);
        bar.set_message(visible(name));
        ReadingBar { bar }
    }

    /// A bar on standard error while a batch is measured.
    pub(crate) fn units(&self, total: u64) -> UnitsBar {
        UnitsBar { bar: self.bar(total, "measuring {bar:24} {pos}/{len} units, {eta} left") }
    }

    fn bar(&self, total: u64, form: &str) -> ProgressBar {
        let hidden = self.quiet || !io::stderr().is_terminal();
        let target =
            if hidden { ProgressDrawTarget::hidden() } else { ProgressDrawTarget::stderr() };
        let bar = ProgressBar::with_draw_target(Some(total), target);
        if let Ok(style) = ProgressStyle::with_template(form) {
            bar.set_style(style);
        }
        if !hidden {
            bar.enable_steady_tick(Duration::from_millis(200));
        }
        bar
    }
}

/// Counts the finished units of a batch; disappears when dropped.
#[derive(Debug)]
pub(crate) struct UnitsBar {
    bar: ProgressBar,
}

impl UnitsBar {
    /// `done` units are finished.
    pub(crate) fn at(&self, done: u64) {
        self.bar.set_position(done);
    }
}

impl Drop for UnitsBar {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}

/// A progress bar that disappears when dropped.
#[derive(Debug)]
pub(crate) struct ReadingBar {
    bar: ProgressBar,
}

impl Progress for ReadingBar {
    fn at(&self, done: u64, total: u64) {
        self.bar.set_length(total);
        self.bar.set_position(done);
    }
}

impl Drop for ReadingBar {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}

/// Text from a file with its control characters shown, not sent.
pub(crate) fn visible(text: &str) -> String {
    text.chars()
        .flat_map(|c| {
            let show = c.is_control() && c != '\n';
            let escaped = show.then(|| c.escape_default());
            let plain = (!show).then_some(c);
            escaped.into_iter().flatten().chain(plain)
        })
        .collect()
}

/// A fault as miette draws it.
#[derive(Debug)]
struct Drawn {
    message: String,
    advice: String,
    excerpt: Option<Numbered>,
}

impl Drawn {
    fn of(fault: &InputFault) -> Self {
        Self {
            message: visible(&format!("{}: {}", fault.place, fault.found)),
            advice: visible(&fault.advice),
            excerpt: fault
                .excerpt
                .clone()
                .map(|excerpt| Numbered { name: visible(&fault.place.file), excerpt }),
        }
    }
}

impl std::fmt::Display for Drawn {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.message)
    }
}

impl std::error::Error for Drawn {}

impl Diagnostic for Drawn {
    fn help<'a>(&'a self) -> Option<Box<dyn std::fmt::Display + 'a>> {
        Some(Box::new(&self.advice))
    }

    fn source_code(&self) -> Option<&dyn SourceCode> {
        self.excerpt.as_ref().map(|excerpt| excerpt as &dyn SourceCode)
    }

    fn labels(&self) -> Option<Box<dyn Iterator<Item = LabeledSpan> + '_>> {
        let excerpt = &self.excerpt.as_ref()?.excerpt;
        let label = LabeledSpan::new(Some("here".to_owned()), excerpt.offset, excerpt.length);
        Some(Box::new(std::iter::once(label)))
    }
}

/// An excerpt that knows its line number in the whole file.
#[derive(Debug)]
struct Numbered {
    name: String,
    excerpt: Excerpt,
}

impl SourceCode for Numbered {
    fn read_span<'a>(
        &'a self,
        span: &SourceSpan,
        before: usize,
        after: usize,
    ) -> Result<Box<dyn SpanContents<'a> + 'a>, MietteError> {
        let inner = self.excerpt.text.read_span(span, before, after)?;
        let first_line = usize::try_from(self.excerpt.first_line).unwrap_or(usize::MAX);
        Ok(Box::new(miette::MietteSpanContents::new_named(
            self.name.clone(),
            inner.data(),
            *inner.span(),
            inner.line() + first_line.saturating_sub(1),
            inner.column(),
            inner.line_count(),
        )))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn control_characters_are_shown_not_sent() {
        assert_eq!(visible("a\u{1b}[31mb\u{7}\tµ"), "a\\u{1b}[31mb\\u{7}\\tµ");
    }
}
