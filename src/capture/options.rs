//! What a user may say when a file cannot speak for itself, checked.

/// Which column, by header or by place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ColumnChoice {
    /// Header text, compared without regard to letter case and surrounding space.
    Header(String),
    /// Place, the first column being 1.
    Place(usize),
}

/// What stands between the whole and the fraction of a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DecimalMark {
    /// `0.118`
    Point,
    /// `0,118`
    Comma,
}

/// Units of current that a column may be in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CurrentUnit {
    /// A
    Ampere,
    /// mA
    Milliampere,
    /// µA
    Microampere,
    /// nA
    Nanoampere,
    /// kA
    Kiloampere,
}

impl CurrentUnit {
    /// Amperes in one of this unit.
    pub fn amperes(self) -> f64 {
        match self {
            Self::Ampere => 1.0,
            Self::Milliampere => 1e-3,
            Self::Microampere => 1e-6,
            Self::Nanoampere => 1e-9,
            Self::Kiloampere => 1e3,
        }
    }

    /// Its symbol.
    pub fn symbol(self) -> &'static str {
        match self {
            Self::Ampere => "A",
            Self::Milliampere => "mA",
            Self::Microampere => "µA",
            Self::Nanoampere => "nA",
            Self::Kiloampere => "kA",
        }
    }
}

/// Everything the user said about the file.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ReadOptions {
    /// `--time-column`
    pub time_column: Option<ColumnChoice>,
    /// `--current-column`
    pub current_column: Option<ColumnChoice>,
    /// `--unit`
    pub unit: Option<CurrentUnit>,
    /// `--decimal-mark`, of every column whose numbers can be read with it.
    pub decimal_mark: Option<DecimalMark>,
    /// `--interval`, seconds, positive and finite.
    pub interval_s: Option<f64>,
    /// `--clock-format`, strptime style.
    pub clock_format: Option<String>,
    /// `--skip-rows`
    pub skip_rows: Option<usize>,
    /// `--reverse`: the clamp sat the other way round.
    pub reverse: bool,
    /// `--encoding`, a WHATWG label.
    pub encoding: Option<String>,
    /// `--sheet`, of a spreadsheet.
    pub sheet: Option<String>,
}

/// Told how far reading has come. Implemented by the command line; [`Silent`] for everyone else.
pub trait Progress: Sync {
    /// `done` of `total` bytes have been read.
    fn at(&self, done: u64, total: u64);
}

/// Nobody is told.
#[derive(Debug, Clone, Copy, Default)]
pub struct Silent;

impl Progress for Silent {
    fn at(&self, _done: u64, _total: u64) {}
}
