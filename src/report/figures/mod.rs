//! Plots, as SVG for the page and as PNG beside it, from one drawing each.

mod axes;
mod capture;
mod compare;
mod loads;
mod panel;
mod paper;
mod zoom;

pub(crate) use capture::overview;
pub(crate) use compare::{changes, sides};
pub(crate) use loads::loads;
pub(super) use panel::{Kind, marks};
pub(crate) use paper::Figure;
pub(crate) use zoom::{Zoom, zooms};
