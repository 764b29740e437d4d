//! A page as headless Chromium sees it.

use std::path::{Path, PathBuf};
use std::process::Command;

/// What was seen.
#[derive(Debug)]
pub(crate) struct Seen {
    /// Errors of the page, a line each.
    pub(crate) errors: String,
    /// Width that the page takes, pixels.
    pub(crate) width: u32,
    /// The elements that stick out of it.
    pub(crate) wider: String,
    /// Figures that are shown.
    pub(crate) figures: u32,
    /// Elements whose text is cut off.
    pub(crate) cut: String,
}

/// Chromium, when it is installed.
pub(crate) fn find() -> Option<PathBuf> {
    if let Some(path) = std::env::var_os("CHROMIUM") {
        return Some(path.into());
    }
    let folders = std::env::var_os("PATH")?;
    let names = ["chromium", "chromium-browser", "google-chrome"];
    std::env::split_paths(&folders)
        .flat_map(|folder| names.map(|name| folder.join(name)))
        .find(|path| path.is_file())
}

fn run(chromium: &Path, room: &Path, arguments: &[String]) -> std::process::Output {
    let profile = tempfile::tempdir_in(room).unwrap();
    Command::new(chromium)
        .args(["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"])
        .args(["--disable-background-networking", "--disable-component-update", "--disable-sync"])
        .args(["--hide-scrollbars", "--enable-logging=stderr", "--virtual-time-budget=4000"])
        .arg(format!("--user-data-dir={}", profile.path().display()))
        .args(arguments)
        .output()
        .expect("Chromium starts")
}

/// Measures the page in a frame `width` pixels wide: headless windows are never narrower than
/// about 500 px, a frame is.
const MEASURE: &str = r#"
const told = [];
const frame = document.getElementById('page');
frame.onload = () => {
  const page = frame.contentDocument, view = page.documentElement, window_ = frame.contentWindow;
  const shown = e => e.getClientRects().length > 0;
  const scrolls = e => { for (; e; e = e.parentElement) if (e.classList && e.classList.contains('wide')) return true; };
  for (const d of page.querySelectorAll('details')) d.open = true;
  const wider = [], cut = [];
  for (const e of page.body.querySelectorAll('*')) {
    if (!shown(e) || scrolls(e)) continue;
    const box = e.getBoundingClientRect();
    const name = e.tagName + ' ' + (e.textContent || '').trim().slice(0, 40);
    if (box.right > view.clientWidth + 0.5 || box.left < -0.5) wider.push(name);
    if (e.tagName == 'text') {
      const figure = e.ownerSVGElement.getBoundingClientRect();
      if (box.left < figure.left - 1 || box.right > figure.right + 1 || box.top < figure.top - 1 || box.bottom > figure.bottom + 1) cut.push(name);
    } else if (window_.getComputedStyle(e).overflowX == 'hidden' && e.scrollWidth > e.clientWidth + 1) cut.push(name);
  }
  const figures = [...page.querySelectorAll('svg[role=img]')].filter(shown).length;
  document.getElementById('told').textContent = JSON.stringify({ width: view.scrollWidth, wider: wider.join('; '), cut: cut.join('; '), figures });
};
frame.srcdoc = document.getElementById('source').textContent;
"#;

/// Opens the page in a frame of that width.
pub(crate) fn open(chromium: &Path, room: &Path, html: &str, width: u32) -> Seen {
    let source = serde_json::to_string(html).unwrap().replace("</", "<\\/");
    let script = MEASURE.replace("document.getElementById('source').textContent", &source);
    let host = format!(
        "<!DOCTYPE html><meta charset=utf-8><body style='margin:0'><iframe id=page \
         style='width:{width}px;height:3000px;border:0'></iframe><pre id=told></pre><script>{script}</script>"
    );
    let path = room.join(format!("host-{width}.html"));
    std::fs::write(&path, host).unwrap();
    let arguments = [
        "--window-size=1500,3000".to_owned(),
        "--dump-dom".to_owned(),
        format!("file://{}", path.display()),
    ];
    let outcome = run(chromium, room, &arguments);
    let dom = String::from_utf8_lossy(&outcome.stdout).into_owned();
    let told = dom.rsplit_once("<pre id=\"told\">").map_or("", |(_, rest)| rest);
    let told = told.split("</pre>").next().unwrap_or("").replace("&amp;", "&");
    let told: serde_json::Value = serde_json::from_str(&told)
        .unwrap_or_else(|error| panic!("nothing was measured ({error}): {told:?}"));
    let errors = String::from_utf8_lossy(&outcome.stderr);
    let text = |key: &str| told[key].as_str().unwrap_or("").to_owned();
    let number = |key: &str| told[key].as_u64().unwrap_or(0) as u32;
    Seen {
        errors: errors
            .lines()
            .filter(|line| line.contains("CONSOLE"))
            .collect::<Vec<_>>()
            .join("\n"),
        width: number("width"),
        wider: text("wider"),
        figures: number("figures"),
        cut: text("cut"),
    }
}

/// Pages of the page printed.
pub(crate) fn pages(chromium: &Path, room: &Path, html: &str) -> usize {
    let (page, paper) = (room.join("print.html"), room.join("print.pdf"));
    std::fs::write(&page, html).unwrap();
    let arguments = [
        "--no-pdf-header-footer".to_owned(),
        format!("--print-to-pdf={}", paper.display()),
        format!("file://{}", page.display()),
    ];
    run(chromium, room, &arguments);
    let bytes = std::fs::read(&paper).expect("the page was printed");
    let text = String::from_utf8_lossy(&bytes);
    text.matches("/Type /Page").count() - text.matches("/Type /Pages").count()
}
