//! Any text is an event list or a fault.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    let _ = ebbmark::events::parse("fuzz", text);
});
