//! Every command of the how-to pages is run, in the order in which a reader would.
//!
//! A `console` block holds commands after `$ `; each must exit with 0, from a folder with the
//! sample logs in it, and what it writes is there for the commands after it.

use std::path::Path;
use std::process::Command;

/// Commands in the page's console blocks.
fn commands(page: &str) -> Vec<String> {
    let mut inside = false;
    let mut found = Vec::new();
    for line in page.lines() {
        if line.starts_with("```") {
            inside = line == "```console";
        } else if let Some(command) = line.strip_prefix("$ ").filter(|_| inside) {
            found.push(command.to_owned());
        }
    }
    found
}

/// Words of a command, double quotes holding several together.
fn words(command: &str) -> Vec<String> {
    let mut words = Vec::new();
    for (i, part) in command.split('"').enumerate() {
        if i % 2 == 1 {
            words.push(part.to_owned());
        } else {
            words.extend(part.split_whitespace().map(str::to_owned));
        }
    }
    words
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        if entry.path().is_dir() {
            copy(&entry.path(), &target);
        } else {
            std::fs::copy(entry.path(), target).unwrap();
        }
    }
}

fn run_page(name: &str) {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let page = std::fs::read_to_string(root.join("docs").join(name)).unwrap();
    let folder = tempfile::tempdir().unwrap();
    copy(&root.join("sample-logs"), &folder.path().join("sample-logs"));
    let commands = commands(&page);
    assert!(commands.len() > 1, "{name} has no commands");
    for command in commands {
        let words = words(&command);
        let (program, arguments) = words.split_first().unwrap();
        assert_eq!(program, "ebbmark", "{name}: {command}");
        let output = Command::new(env!("CARGO_BIN_EXE_ebbmark"))
            .args(arguments)
            .current_dir(folder.path())
            .output()
            .unwrap();
        let told = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(0), "{name}: {command}\n{told}");
        assert!(!output.stdout.is_empty() || command.contains("--out"), "{name}: {command}");
    }
    // Links between the pages lead somewhere.
    for target in page.split("](").skip(1).filter_map(|rest| rest.split(')').next()) {
        if !target.starts_with('#') && !target.contains("://") {
            assert!(root.join("docs").join(target).exists(), "{name} links to {target}");
        }
    }
}

#[test]
fn the_technicians_page_runs() {
    run_page("how-to-technician.md");
}

#[test]
fn the_engineers_page_runs() {
    run_page("how-to-engineer.md");
}

#[test]
fn the_quality_page_runs() {
    run_page("how-to-quality.md");
}
