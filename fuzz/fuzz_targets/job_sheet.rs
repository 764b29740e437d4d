//! Any text is a job sheet or a fault.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    let _ = ebbmark::jobsheet::parse("fuzz", text);
});
