//! Any bytes are a capture or a fault, and a capture's readings are finite and its times rise.
#![no_main]

use ebbmark::capture::{ReadOptions, Silent, read_bytes, totals};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    if let Ok(capture) = read_bytes("fuzz", data.to_vec(), &ReadOptions::default(), &Silent) {
        let samples = &capture.samples;
        assert_eq!(samples.time.len(), samples.current_a.len());
        assert!(samples.current_a.iter().all(|i| i.is_finite()));
        assert!((1..samples.len()).all(|i| samples.time.at(i) >= samples.time.at(i - 1)));
        let _ = totals(samples, &capture.sampling.gaps);
    }
});
