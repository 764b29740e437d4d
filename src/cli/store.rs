//! What a stopped batch has done so far, so that the next run goes on from there.

use std::fs;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::path::{Path, PathBuf};
use std::time::UNIX_EPOCH;

use serde::{Deserialize, Serialize};

use crate::batch::{UnitOutcome, UnitSource};
use crate::fault::InputFault;
use crate::report::Sketch;

/// Folder under `--out` that lives as long as a batch is unfinished.
const FOLDER: &str = "unfinished-batch";

/// What is kept of one capture.
#[derive(Debug, Serialize, Deserialize)]
pub(crate) struct Kept {
    pub(crate) outcome: UnitOutcome,
    /// For the page; `None` when the capture could not be read.
    pub(crate) sketch: Option<Sketch>,
    /// When the capture began, as it tells.
    pub(crate) start: Option<String>,
}

/// One file a finished capture, named by what its outcome depends on.
#[derive(Debug)]
pub(crate) struct Store {
    folder: PathBuf,
    procedure: u64,
}

impl Store {
    /// Opens or makes the store under `out`; `procedure` is everything but the captures that the
    /// outcomes depend on.
    pub(crate) fn open(out: &Path, procedure: &[String]) -> Result<Self, InputFault> {
        let folder = out.join(FOLDER);
        fs::create_dir_all(&folder).map_err(|error| {
            InputFault::of_file(
                &folder.display().to_string(),
                format!("cannot be made: {error}"),
                "name another folder with --out",
            )
        })?;
        let mut hasher = DefaultHasher::new();
        (env!("CARGO_PKG_VERSION"), procedure).hash(&mut hasher);
        Ok(Self { folder, procedure: hasher.finish() })
    }

    /// The outcome of a capture that has not changed since it was kept.
    pub(crate) fn recall(&self, source: &UnitSource) -> Option<Kept> {
        let bytes = fs::read(self.path(source)?).ok()?;
        let kept: Kept = serde_json::from_slice(&bytes).ok()?;
        (kept.outcome.unit == source.unit).then_some(kept)
    }

    /// Keeps an outcome. A store that cannot be written costs a later run time, never its result.
    pub(crate) fn keep(&self, source: &UnitSource, kept: &Kept) {
        let Some(path) = self.path(source) else { return };
        let Ok(bytes) = serde_json::to_vec(kept) else { return };
        let part = path.with_extension("part");
        if fs::write(&part, bytes).is_ok() {
            let _ = fs::rename(part, path);
        }
    }

    /// Removes the store: the batch is finished.
    pub(crate) fn close(self) {
        let _ = fs::remove_dir_all(&self.folder);
    }

    fn path(&self, source: &UnitSource) -> Option<PathBuf> {
        let facts = fs::metadata(&source.file).ok()?;
        let changed = facts.modified().ok()?.duration_since(UNIX_EPOCH).ok()?;
        let mut hasher = DefaultHasher::new();
        (self.procedure, &source.file, &source.unit, facts.len(), changed).hash(&mut hasher);
        Some(self.folder.join(format!("{:016x}.json", hasher.finish())))
    }
}
