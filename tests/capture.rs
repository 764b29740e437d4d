//! Every kind of export that the readers must open, read as a user would give it.

use ebbmark::capture::{Capture, ReadOptions, Silent, read_bytes};

fn read(text: &str) -> Capture {
    read_bytes("a.csv", text.as_bytes().to_vec(), &ReadOptions::default(), &Silent)
        .unwrap_or_else(|fault| panic!("{fault}\n{text}"))
}

#[test]
fn a_plain_table_opens() {
    let text: String = std::iter::once("time_s,current_A\n".to_owned())
        .chain((0..100).map(|i| format!("{}.5,0.{:03}\n", i, 100 + i % 7)))
        .collect();
    let capture = read(&text);
    assert_eq!(capture.samples.len(), 100);
    assert_eq!(
        (capture.unit.as_str(), capture.resolution_a, capture.samples.duration_s()),
        ("A", Some(0.001), 99.0)
    );
    assert!(capture.cautions.is_empty());
}
