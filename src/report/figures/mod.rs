//! Plots, as SVG for the page and as PNG beside it, from one drawing each.

mod axes;
mod capture;
mod charge;
mod compare;
mod falls;
mod frame;
mod hours;
mod levels;
mod loads;
mod panel;
mod paper;
mod unit_zoom;
mod units;
mod wakes;
mod zoom;

pub(crate) use capture::overview;
pub(crate) use charge::charge;
pub(crate) use compare::{changes, sides};
pub(crate) use falls::falls;
pub(crate) use hours::hours;
pub(crate) use levels::distribution;
pub(crate) use loads::loads;
pub(super) use panel::{Kind, marks};
pub(crate) use paper::Figure;
pub(crate) use unit_zoom::unit_zoom;
pub(crate) use units::units;
pub(crate) use wakes::wakes;
pub(crate) use zoom::{Zoom, zooms};

/// Names of figures that a run has one of, or none.
pub(super) const SINGLE: [&str; 10] = [
    "after",
    "before",
    "capture",
    "changes",
    "charge",
    "distribution",
    "hours",
    "loads",
    "time-to-sleep",
    "wakes",
];
/// How the names of those begin that are numbered.
pub(super) const NUMBERED: [&str; 3] = ["event-", "measure-", "unit-"];
