//! What the user decided about the fits; defaults in one place.

/// Which delivery model to fit.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum ModelChoice {
    /// The delivery curve where the readings carry it, else the line.
    #[default]
    Auto,
    /// A weighted straight line through the readings of the line range, nothing else.
    Line,
    /// The delivery curve, or no figure.
    Curve,
}

/// How readings are weighted in a straight line.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum WeightChoice {
    /// By their uncertainty.
    #[default]
    Auto,
    /// All alike: ordinary least squares of D/N on pulse width.
    Equal,
}

/// Limit of the reported linear flow range, percent: as commonly quoted for
/// SAE J1832, from memory, not read in the standard.
pub const LINEARITY_LIMIT_PERCENT: f64 = 5.0;

/// A row left out by hand.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DroppedRow {
    /// File name as shown in `sources`, or a path that ends in it.
    pub source: String,
    /// Line of that file.
    pub line: u64,
}

impl DroppedRow {
    /// Whether this row is of that source: by the name shown, or by the end of its path.
    pub fn names(&self, source: &str) -> bool {
        let name = |path: &str| path.rsplit(['/', '\\']).next().map(str::to_owned);
        self.source == source
            || (name(&self.source) == name(source) && !source.contains(['/', '\\']))
    }
}

/// Options of the fits.
#[derive(Debug, Clone, PartialEq)]
pub struct FitOptions {
    /// Delivery model.
    pub model: ModelChoice,
    /// Weights of the line.
    pub weights: WeightChoice,
    /// Line range, ms, where stated.
    pub line_range_ms: Option<[f64; 2]>,
    /// Limit of the reported linear flow range, percent.
    pub linearity_limit_percent: f64,
    /// Keep readings that look misread.
    pub keep_all: bool,
    /// Rows left out by hand.
    pub dropped: Vec<DroppedRow>,
}

impl Default for FitOptions {
    fn default() -> Self {
        Self {
            model: ModelChoice::Auto,
            weights: WeightChoice::Auto,
            line_range_ms: None,
            linearity_limit_percent: LINEARITY_LIMIT_PERCENT,
            keep_all: false,
            dropped: Vec::new(),
        }
    }
}
