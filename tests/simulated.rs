//! The simulated truth against what the stages find, and the demo against its scenarios.

use std::path::{Path, PathBuf};

use ebbmark::simulate::{self, Simulated};

fn sample_logs() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs")
}

fn simulated(name: &str) -> Simulated {
    let path = sample_logs().join("scenarios").join(name);
    let text = std::fs::read_to_string(&path).unwrap();
    let scenario = simulate::parse(name, &text).unwrap_or_else(|fault| panic!("{fault}"));
    simulate::run(&scenario, scenario.seed())
}

/// Set `EBBMARK_WRITE_SAMPLES=1` to write the files instead of comparing them.
fn compare(simulated: &Simulated, folder: &Path) {
    let write = std::env::var_os("EBBMARK_WRITE_SAMPLES").is_some();
    for file in simulated.files() {
        let path = folder.join(&file.name);
        if write {
            std::fs::write(&path, &file.bytes).unwrap();
        } else {
            let committed = std::fs::read(&path).unwrap();
            assert!(committed == file.bytes, "{} is not what its scenario makes", path.display());
        }
    }
}

#[test]
fn the_demo_is_what_its_scenarios_make() {
    compare(&simulated("pump-hut-visit.toml"), &sample_logs());
    compare(&simulated("pump-hut-night.toml"), &sample_logs());
    compare(&simulated("receivers.toml"), &sample_logs().join("receivers"));
}
