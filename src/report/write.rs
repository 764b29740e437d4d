//! Files put in place whole or not at all.
//!
//! [`prepare`] looks whether a folder can be written to before the long work starts and writes
//! nothing. [`Target::commit`] writes every file beside its destination, on the same file system,
//! and only then renames them: a full disk or a kill while writing leaves what was there before,
//! and no moment shows a file in part. The file given to [`Bundle::finish_with`] comes last.

use std::collections::BTreeSet;
use std::fs;
use std::io::{ErrorKind, Write};
use std::path::{Component, Path, PathBuf};
use std::time::Duration;

use crate::fault::InputFault;

/// Start of the name of a folder that a commit works in; one left behind was killed.
const WORKROOM: &str = ".ebbmark-unfinished-";
/// Threads at most that wait for the disk.
const SYNCS: usize = 16;

/// Files of one run, by relative name.
#[derive(Debug, Clone, Default)]
pub struct Bundle {
    files: Vec<(String, Vec<u8>)>,
    last: Option<(String, Vec<u8>)>,
    /// Files of any run, by name, and by how their names start.
    own: Vec<String>,
    families: Vec<String>,
    keep_existing: bool,
}

impl Bundle {
    /// No files yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Files that must not replace any of the same name, such as lists that a person fills in.
    pub fn keeping_existing() -> Self {
        Self { keep_existing: true, ..Self::default() }
    }

    /// Adds a file; `name` uses `/` and never comes from the content of an input.
    ///
    /// # Panics
    /// When `name` is absolute, climbs out of the folder, or was added before.
    pub fn add(&mut self, name: impl Into<String>, bytes: Vec<u8>) {
        let name = name.into();
        assert!(is_inside(&name), "{name} does not name a file inside the folder");
        assert!(self.names().all(|other| other != name), "{name} added twice");
        self.files.push((name, bytes));
    }

    /// Adds the file that is put in place after all others.
    ///
    /// # Panics
    /// As [`add`](Self::add).
    pub fn finish_with(&mut self, name: impl Into<String>, bytes: Vec<u8>) {
        let name = name.into();
        assert!(is_inside(&name), "{name} does not name a file inside the folder");
        self.last = Some((name, bytes));
    }

    /// Says that a file belongs to one run: that of an earlier run which this one does not replace is removed, where
    /// a file given to [`finish_with`](Self::finish_with) is replaced.
    pub fn owns(&mut self, name: impl Into<String>) {
        self.own.push(name.into());
    }

    /// The same of files whose names start with `start`.
    pub fn owns_family(&mut self, start: impl Into<String>) {
        self.families.push(start.into());
    }

    /// Names in the order in which they are put in place.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.all().map(|(name, _)| name.as_str())
    }

    /// The bytes of one file.
    pub fn get(&self, name: &str) -> Option<&[u8]> {
        self.all().find(|file| file.0 == name).map(|file| file.1.as_slice())
    }

    fn all(&self) -> impl Iterator<Item = &(String, Vec<u8>)> {
        self.files.iter().chain(&self.last)
    }
}

fn is_inside(name: &str) -> bool {
    !name.is_empty()
        && Path::new(name).components().all(|part| matches!(part, Component::Normal(_)))
}

/// A folder that was found writable.
#[derive(Debug, Clone)]
pub struct Target {
    out: PathBuf,
    inputs: Vec<PathBuf>,
}

/// Looks whether `out` can take files, and remembers the run's inputs so that none of them is
/// ever replaced. Writes nothing that stays, and does not create `out`.
///
/// # Errors
/// When `out` is a file, or it or its nearest existing parent cannot be written to.
pub fn prepare(out: &Path, inputs: &[&Path]) -> Result<Target, InputFault> {
    let out = if out.as_os_str().is_empty() { Path::new(".") } else { out };
    let ground = nearest_existing(out);
    if !ground.is_dir() {
        return Err(InputFault::of_file(
            &out.display().to_string(),
            format!("{} is a file, not a folder", ground.display()),
            "name another folder with --out",
        ));
    }
    tempfile::Builder::new()
        .prefix(WORKROOM)
        .tempfile_in(&ground)
        .map_err(|error| fault(out, &error))?;
    let inputs = inputs.iter().filter_map(|path| fs::canonicalize(path).ok()).collect();
    Ok(Target { out: out.to_owned(), inputs })
}

fn nearest_existing(path: &Path) -> PathBuf {
    let mut at = path;
    while !at.exists() {
        match at.parent() {
            Some(parent) if !parent.as_os_str().is_empty() => at = parent,
            _ => return PathBuf::from("."),
        }
    }
    at.to_owned()
}

impl Target {
    /// The folder.
    pub fn folder(&self) -> &Path {
        &self.out
    }

    /// Puts every file in place, or none.
    ///
    /// # Errors
    /// When the disk is full, the folder cannot be written to, a name is taken by a folder or by
    /// an input of this run, or a file exists that the bundle must not replace.
    pub fn commit(&self, bundle: &Bundle) -> Result<(), InputFault> {
        self.refuse_collisions(bundle)?;
        let outcome = if self.out.exists() { self.replace(bundle) } else { self.create(bundle) };
        outcome.map_err(|error| fault(&self.out, &error))
    }

    fn refuse_collisions(&self, bundle: &Bundle) -> Result<(), InputFault> {
        for name in bundle.names() {
            let path = self.out.join(name);
            let refuse = |found: &str, advice: &str| {
                Err(InputFault::of_file(&path.display().to_string(), found, advice))
            };
            if path.is_dir() {
                return refuse(
                    "a folder has the name of a result file",
                    "rename it, or name another folder with --out",
                );
            }
            if fs::canonicalize(&path).is_ok_and(|real| self.inputs.contains(&real)) {
                return refuse(
                    "this file is an input of the run and would be overwritten",
                    "name another folder with --out",
                );
            }
            if bundle.keep_existing && path.exists() {
                return refuse(
                    "this file exists and may hold entries of yours",
                    "rename it, or name another folder with --out",
                );
            }
        }
        Ok(())
    }

    /// A new folder: everything is written into a workroom beside it, then renamed at once.
    fn create(&self, bundle: &Bundle) -> std::io::Result<()> {
        let parent = match self.out.parent() {
            Some(parent) if !parent.as_os_str().is_empty() => parent,
            _ => Path::new("."),
        };
        let made = first_missing(parent);
        let outcome = (|| {
            fs::create_dir_all(parent)?;
            clear_old_workrooms(parent);
            let workroom = tempfile::Builder::new().prefix(WORKROOM).tempdir_in(parent)?;
            let folder = workroom.path().join("out");
            fs::create_dir(&folder)?;
            write_all(&folder, bundle)?;
            fs::rename(&folder, &self.out)?;
            sync_folder(parent);
            Ok(())
        })();
        if outcome.is_err()
            && let Some(made) = made
        {
            remove_empty_folders(&made);
        }
        outcome
    }

    /// A folder that exists: everything is written into a workroom inside it, then renamed file
    /// by file; when a rename fails, the files replaced so far come back.
    fn replace(&self, bundle: &Bundle) -> std::io::Result<()> {
        clear_old_workrooms(&self.out);
        let workroom = tempfile::Builder::new().prefix(WORKROOM).tempdir_in(&self.out)?;
        let (fresh, former) = (workroom.path().join("new"), workroom.path().join("old"));
        fs::create_dir(&fresh)?;
        write_all(&fresh, bundle)?;
        let mut placed = Placed { out: &self.out, former: &former, names: Vec::new() };
        for name in bundle.names() {
            if let Err(error) = placed.put(&fresh, name) {
                placed.undo();
                return Err(error);
            }
        }
        sync_folder(&self.out);
        let again = bundle.last.as_ref().map(|(name, _)| (name.clone(), true));
        if again.is_some_and(|result| placed.names.contains(&result)) {
            self.sweep(bundle);
        }
        Ok(())
    }

    /// Removes files of the bundle's kinds that an earlier run left: where it left its last file
    /// too, so that a folder that was never a run's loses nothing. What cannot be removed
    /// stays: the new files are in place and whole.
    fn sweep(&self, bundle: &Bundle) {
        let names: BTreeSet<&str> = bundle.names().collect();
        let mut left = bundle.own.clone();
        for family in &bundle.families {
            let (folder, _) = family.rsplit_once('/').unwrap_or_default();
            let entries = fs::read_dir(self.out.join(folder)).into_iter().flatten().flatten();
            let name = |entry: fs::DirEntry| {
                let name = entry.file_name().into_string().ok()?;
                Some(if folder.is_empty() { name } else { format!("{folder}/{name}") })
            };
            left.extend(entries.filter_map(name).filter(|name| name.starts_with(family.as_str())));
        }
        for name in left.iter().filter(|name| !names.contains(name.as_str())) {
            let path = self.out.join(name);
            let input = fs::canonicalize(&path).is_ok_and(|real| self.inputs.contains(&real));
            // A link is not followed, as it may be somebody's own.
            if !input && fs::symlink_metadata(&path).is_ok_and(|found| found.is_file()) {
                let _ = fs::remove_file(path);
            }
        }
    }
}

/// Files renamed so far, and where the files they replaced are kept until all are in place.
struct Placed<'a> {
    out: &'a Path,
    former: &'a Path,
    names: Vec<(String, bool)>,
}

impl Placed<'_> {
    fn put(&mut self, fresh: &Path, name: &str) -> std::io::Result<()> {
        let (path, kept) = (self.out.join(name), self.former.join(name));
        let existed = path.exists();
        if existed {
            fs::create_dir_all(kept.parent().unwrap_or(self.former))?;
            // A second name keeps the old file without a moment in which it is missing.
            if fs::hard_link(&path, &kept).is_err() {
                fs::copy(&path, &kept)?;
            }
        }
        fs::create_dir_all(path.parent().unwrap_or(self.out))?;
        fs::rename(fresh.join(name), &path)?;
        self.names.push((name.to_owned(), existed));
        Ok(())
    }

    fn undo(&self) {
        for (name, existed) in self.names.iter().rev() {
            let path = self.out.join(name);
            let _ = if *existed {
                fs::rename(self.former.join(name), &path)
            } else {
                fs::remove_file(&path)
            };
        }
    }
}

fn write_all(folder: &Path, bundle: &Bundle) -> std::io::Result<()> {
    let mut files = Vec::new();
    for (name, bytes) in bundle.all() {
        let path = folder.join(name);
        fs::create_dir_all(path.parent().unwrap_or(folder))?;
        let mut file = fs::File::create(&path)?;
        file.write_all(bytes)?;
        files.push(file);
    }
    // A disk makes several files last in the time of one: waiting for each in turn takes longer than
    // all else.
    let sync = |some: &[fs::File]| some.iter().try_for_each(fs::File::sync_all);
    std::thread::scope(|scope| {
        let parts = files.chunks(files.len().div_ceil(SYNCS).max(1));
        let waiting: Vec<_> = parts.map(|some| scope.spawn(move || sync(some))).collect();
        waiting.into_iter().try_for_each(|part| {
            part.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))
        })
    })
}

/// Makes the renames last through a power cut, where the system can.
fn sync_folder(folder: &Path) {
    if let Ok(folder) = fs::File::open(folder) {
        let _ = folder.sync_all();
    }
}

/// The topmost folder on the way to `path` that does not exist yet.
fn first_missing(path: &Path) -> Option<PathBuf> {
    path.ancestors()
        .take_while(|at| !at.as_os_str().is_empty() && !at.exists())
        .last()
        .map(Path::to_owned)
}

fn remove_empty_folders(top: &Path) {
    if let Ok(entries) = fs::read_dir(top) {
        for entry in entries.flatten() {
            if entry.file_type().is_ok_and(|kind| kind.is_dir()) {
                remove_empty_folders(&entry.path());
            }
        }
    }
    let _ = fs::remove_dir(top);
}

/// Removes workrooms of runs that were killed; a young one may belong to a run still at work.
fn clear_old_workrooms(folder: &Path) {
    let Ok(entries) = fs::read_dir(folder) else { return };
    for entry in entries.flatten() {
        let ours = entry.file_name().to_str().is_some_and(|name| name.starts_with(WORKROOM));
        let age = entry.metadata().and_then(|data| data.modified()).map(|then| then.elapsed());
        if ours && matches!(age, Ok(Ok(age)) if age > Duration::from_secs(3600)) {
            let _ = fs::remove_dir_all(entry.path());
        }
    }
}

fn fault(out: &Path, error: &std::io::Error) -> InputFault {
    let (found, advice) = match error.kind() {
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded | ErrorKind::FileTooLarge => (
            format!("there is no room left to write the results ({error})"),
            "free some space, or name a folder on another disk with --out; nothing was written",
        ),
        ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem => (
            format!("the folder cannot be written to ({error})"),
            "name another folder with --out; nothing was written",
        ),
        _ => (
            format!("the results could not be written ({error})"),
            "check the folder, or name another with --out; nothing was written",
        ),
    };
    InputFault::of_file(&out.display().to_string(), found, advice)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bundle(text: &str) -> Bundle {
        let mut bundle = Bundle::new();
        bundle.finish_with("result.json", text.into());
        bundle.add("tables/loads.csv", text.into());
        bundle.add("plots/event-01.svg", text.into());
        bundle.owns_family("plots/event-");
        bundle.owns("tables/loads.csv");
        bundle.owns("tables/changes.csv");
        bundle
    }

    fn listing(folder: &Path) -> Vec<String> {
        let mut names: Vec<_> = fs::read_dir(folder)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }

    #[test]
    fn a_new_folder_appears_whole_and_an_old_one_is_brought_up_to_date() {
        let room = tempfile::tempdir().unwrap();
        let out = room.path().join("a/b");
        let target = prepare(&out, &[]).unwrap();
        assert!(listing(room.path()).is_empty());
        target.commit(&bundle("one")).unwrap();
        assert_eq!(listing(&out), ["plots", "result.json", "tables"]);
        fs::write(out.join("mine.txt"), "mine").unwrap();
        fs::write(out.join("plots/event-02.svg"), "stale").unwrap();
        fs::write(out.join("plots/other.svg"), "mine").unwrap();
        fs::write(out.join("tables/changes.csv"), "of another command").unwrap();
        fs::write(out.join("tables/changes.csv.mine"), "mine").unwrap();
        // No run has been in a folder without its result.
        fs::rename(out.join("result.json"), out.join("moved.json")).unwrap();
        target.commit(&bundle("between")).unwrap();
        assert_eq!(listing(&out.join("plots")), ["event-01.svg", "event-02.svg", "other.svg"]);
        fs::remove_file(out.join("moved.json")).unwrap();
        prepare(&out, &[]).unwrap().commit(&bundle("two")).unwrap();
        assert_eq!(listing(&out), ["mine.txt", "plots", "result.json", "tables"]);
        assert_eq!(listing(&out.join("plots")), ["event-01.svg", "other.svg"]);
        assert_eq!(listing(&out.join("tables")), ["changes.csv.mine", "loads.csv"]);
        for name in bundle("").names() {
            assert_eq!(fs::read_to_string(out.join(name)).unwrap(), "two");
        }
        assert_eq!(bundle("").names().last(), Some("result.json"));
    }

    #[test]
    fn a_file_in_the_way_is_named_and_nothing_is_written() {
        let room = tempfile::tempdir().unwrap();
        let file = room.path().join("file");
        fs::write(&file, "x").unwrap();
        for out in [file.clone(), file.join("sub/dir")] {
            let fault = prepare(&out, &[]).unwrap_err();
            assert!(fault.found.contains("is a file, not a folder"), "{fault}");
        }
        let out = room.path().join("out");
        fs::create_dir_all(out.join("result.json")).unwrap();
        let fault = prepare(&out, &[]).unwrap().commit(&bundle("x")).unwrap_err();
        assert!(fault.found.contains("folder has the name"), "{fault}");
        assert_eq!(listing(&out), ["result.json"]);
    }

    #[test]
    fn an_input_and_a_filled_in_list_are_never_replaced() {
        let room = tempfile::tempdir().unwrap();
        let out = room.path().to_owned();
        let input = out.join("tables/loads.csv");
        fs::create_dir(out.join("tables")).unwrap();
        fs::write(&input, "capture").unwrap();
        let fault = prepare(&out, &[&input]).unwrap().commit(&bundle("x")).unwrap_err();
        assert!(fault.found.contains("an input of the run"), "{fault}");
        assert_eq!(listing(&out), ["tables"]);

        let mut starter = Bundle::keeping_existing();
        starter.add("events.csv", "x".into());
        fs::write(out.join("events.csv"), "filled in").unwrap();
        let fault = prepare(&out, &[]).unwrap().commit(&starter).unwrap_err();
        assert!(fault.found.contains("may hold entries of yours"), "{fault}");
        assert_eq!(fs::read_to_string(out.join("events.csv")).unwrap(), "filled in");
    }

    #[test]
    fn a_rename_that_fails_brings_the_former_files_back() {
        let room = tempfile::tempdir().unwrap();
        let out = room.path();
        fs::write(out.join("result.json"), "old").unwrap();
        let former = out.join(".former");
        let fresh = out.join(".fresh");
        fs::create_dir(&fresh).unwrap();
        fs::write(fresh.join("result.json"), "new").unwrap();
        fs::write(fresh.join("added.csv"), "new").unwrap();
        let mut placed = Placed { out, former: &former, names: Vec::new() };
        placed.put(&fresh, "added.csv").unwrap();
        placed.put(&fresh, "result.json").unwrap();
        assert_eq!(fs::read_to_string(out.join("result.json")).unwrap(), "new");
        assert!(placed.put(&fresh, "missing.csv").is_err());
        placed.undo();
        assert_eq!(fs::read_to_string(out.join("result.json")).unwrap(), "old");
        assert!(!out.join("added.csv").exists());
    }

    #[test]
    #[should_panic(expected = "inside the folder")]
    fn a_name_that_climbs_out_is_refused() {
        Bundle::new().add("../x", vec![]);
    }
}
