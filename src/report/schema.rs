//! JSON Schema (draft 2020-12) of every document, generated from the types of [`crate::findings`].

use schemars::{Schema, schema_for};

use crate::findings::{
    BatchFindings, BudgetFindings, CompareFindings, Findings, InspectFindings, ScaleFindings,
};

/// Name and schema of each document: `result`, `inspect`, `batch`, `compare`, `budget`, `scale`.
pub fn documents() -> [(&'static str, Schema); 6] {
    [
        ("result", schema_for!(Findings)),
        ("inspect", schema_for!(InspectFindings)),
        ("batch", schema_for!(BatchFindings)),
        ("compare", schema_for!(CompareFindings)),
        ("budget", schema_for!(BudgetFindings)),
        ("scale", schema_for!(ScaleFindings)),
    ]
}
