//! The cautions that every face of the report, the README and `--help` quote.
//!
//! Common practice in the trade, no source; they never replace local codes.

/// One caution a line, whole sentences.
pub const SAFETY: [&str; 6] = [
    "A battery delivers hundreds of amperes into a short circuit: cover the terminals, take rings and watches off, and put the fuse in last.",
    "Charging lead-acid batteries give off hydrogen: ventilate the enclosure, no flame and no spark.",
    "Gates, barriers, pumps and valves may move when power returns: keep people clear and lock them out before plugging loads in and out.",
    "Do not open a circuit under load, and never with a meter in series that is not rated for its current: switch the load off first.",
    "The figures are for diagnosis. They are not for sizing a safety system or proving one.",
    "Local codes, the makers' instructions and licensed practice come first, always.",
];

/// The same in a few words, for `--help` and the terminal.
pub const CAUTIONS_IN_BRIEF: &str = "\
Caution: batteries short-circuit at hundreds of amperes and give off hydrogen while charging; \
equipment may move when power returns; do not open a circuit under load. Figures are for \
diagnosis, not for sizing a safety system. Local codes and licensed practice come first.";
