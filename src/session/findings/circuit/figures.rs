//! What the machine and the meters are made of: each figure with what a good one has and how far it may be off.
//!
//! Fits work with deviations in standard deviations, all 0 for a usual machine. Ohms follow a log-normal law, so that none is
//! ever negative and thick wires are as good as thin ones.

/// One figure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in super::super) enum Figure {
    /// Volts of the battery without load.
    Emf,
    /// Volts that the battery gains in half the visit: it rests, or is drawn down.
    Trend,
    /// Volts by which it is off that line at one of [`DRIFT_KNOTS`] times of the visit.
    Drift(usize),
    /// Ohms inside the battery.
    BatteryOhms,
    /// Ohms of the shared feed.
    FeedOhms,
    /// Ohms of the shared ground.
    GroundOhms,
    /// Ohms of what the machine draws from the shared feed anyhow.
    StandingOhms,
    /// Factor on the ohms of all wires and joints of the branches.
    Wiring,
    /// Temperature of all coils, °C.
    Celsius,
    /// Volts that every driver drops by design at its coil's usual amps.
    DriverVolts,
    /// Share of these volts that is dropped without load too.
    UnloadedShare,
    /// Relative error of a meter on one function.
    MeterGain(usize),
    /// Error of a meter on one function at zero, in shares of each reading's own uncertainty.
    MeterZero(usize),
    /// Factor on the ohms of all coils of one kind.
    CoilKind(usize),
    /// By branch: factor on the coil's ohms.
    Coil(usize),
    /// By branch: how much warmer the coil is than all, K.
    CoilWarmth(usize),
    /// By branch: relative rise of the coil's ohms between the ohms step and the end of its being held on.
    Held(usize),
    /// By branch: ohms from shared feed to connector.
    FeedWire(usize),
    /// By branch: ohms of the connector's feed pin.
    FeedPin(usize),
    /// By branch: ohms of the connector's ground pin.
    GroundPin(usize),
    /// By branch: ohms from connector to shared ground.
    GroundWire(usize),
    /// By branch: factor on the volts that its driver drops.
    Driver(usize),
    /// By branch: ohms from feed wire to frame.
    Insulation(usize),
    /// By branch: share of the time that a switched driver is on; 1 of one that is on all the time.
    Duty(usize),
}

/// Times between which the battery's volts go in straight lines.
pub(in super::super) const DRIFT_KNOTS: usize = 4;
const SHARED: usize = 10 + DRIFT_KNOTS;
/// Figures that each branch has for itself.
pub(in super::super) const FIGURES_OF_BRANCH: usize = 10;

/// What a good machine has.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in super::super) struct FigurePrior {
    /// Usual value; of a log-normal law its median.
    pub center: f64,
    /// Standard deviation: of the value, or of its natural logarithm.
    pub sd: f64,
    /// Whether the law is log-normal.
    pub is_log: bool,
}

impl FigurePrior {
    /// A Gaussian law.
    pub(in super::super) const fn normal(center: f64, sd: f64) -> Self {
        Self { center, sd, is_log: false }
    }

    /// A log-normal law: median, and the standard deviation of the natural logarithm.
    pub(in super::super) const fn log_normal(center: f64, sd: f64) -> Self {
        Self { center, sd, is_log: true }
    }

    /// The value at so many standard deviations, and its slope.
    pub(in super::super) fn at(&self, deviations: f64) -> (f64, f64) {
        if self.is_log {
            let value = self.center * (self.sd * deviations).clamp(-30.0, 30.0).exp();
            (value, value * self.sd)
        } else {
            (self.center + self.sd * deviations, self.sd)
        }
    }

    /// So many standard deviations further on a straight line of the value, not of its logarithm: by ohms and volts readings move
    /// nearly in straight lines.
    pub(in super::super) fn further(&self, deviations: f64, by: f64) -> f64 {
        /// No value falls to less than this share of itself at once.
        const LEAST_SHARE: f64 = 0.2;
        if self.is_log && self.sd > 0.0 {
            deviations + (1.0 + self.sd * by).max(LEAST_SHARE).ln() / self.sd
        } else {
            deviations + by
        }
    }
}

/// All figures of a machine and its meters, in a fixed order.
#[derive(Debug, Clone)]
pub(in super::super) struct MachineFigures {
    meters: usize,
    kinds: usize,
    priors: Vec<FigurePrior>,
}

impl MachineFigures {
    /// Of so many meters' functions, kinds of coils, and branches, each with its prior.
    pub(in super::super) fn new(
        meters: usize,
        kinds: usize,
        branches: usize,
        prior: impl Fn(Figure) -> FigurePrior,
    ) -> Self {
        let mut figures = Self { meters, kinds, priors: Vec::new() };
        let of_branch = |at: usize| {
            [
                Figure::Coil(at),
                Figure::CoilWarmth(at),
                Figure::Held(at),
                Figure::FeedWire(at),
                Figure::FeedPin(at),
                Figure::GroundPin(at),
                Figure::GroundWire(at),
                Figure::Driver(at),
                Figure::Insulation(at),
                Figure::Duty(at),
            ]
        };
        let shared = [
            Figure::Emf,
            Figure::BatteryOhms,
            Figure::FeedOhms,
            Figure::GroundOhms,
            Figure::StandingOhms,
            Figure::Celsius,
            Figure::DriverVolts,
            Figure::UnloadedShare,
            Figure::Wiring,
            Figure::Trend,
        ];
        let all = shared
            .into_iter()
            .chain((0..DRIFT_KNOTS).map(Figure::Drift))
            .chain((0..meters).map(Figure::MeterGain))
            .chain((0..meters).map(Figure::MeterZero))
            .chain((0..kinds).map(Figure::CoilKind))
            .chain((0..branches).flat_map(of_branch));
        for (at, figure) in all.enumerate() {
            debug_assert_eq!(figures.place(figure), at, "{figure:?}");
            figures.priors.push(prior(figure));
        }
        figures
    }

    /// How many there are.
    pub(in super::super) fn len(&self) -> usize {
        self.priors.len()
    }

    /// The prior at a place.
    pub(in super::super) fn prior(&self, place: usize) -> &FigurePrior {
        &self.priors[place]
    }

    /// The place of a figure.
    pub(in super::super) const fn place(&self, figure: Figure) -> usize {
        let kinds = SHARED + 2 * self.meters;
        let (branch, own) = match figure {
            Figure::Emf => return 0,
            Figure::BatteryOhms => return 1,
            Figure::FeedOhms => return 2,
            Figure::GroundOhms => return 3,
            Figure::StandingOhms => return 4,
            Figure::Celsius => return 5,
            Figure::DriverVolts => return 6,
            Figure::UnloadedShare => return 7,
            Figure::Wiring => return 8,
            Figure::Trend => return 9,
            Figure::Drift(knot) => return 10 + knot,
            Figure::MeterGain(meter) => return SHARED + meter,
            Figure::MeterZero(meter) => return SHARED + self.meters + meter,
            Figure::CoilKind(kind) => return kinds + kind,
            Figure::Coil(at) => (at, 0),
            Figure::CoilWarmth(at) => (at, 1),
            Figure::Held(at) => (at, 2),
            Figure::FeedWire(at) => (at, 3),
            Figure::FeedPin(at) => (at, 4),
            Figure::GroundPin(at) => (at, 5),
            Figure::GroundWire(at) => (at, 6),
            Figure::Driver(at) => (at, 7),
            Figure::Insulation(at) => (at, 8),
            Figure::Duty(at) => (at, 9),
        };
        kinds + self.kinds + branch * FIGURES_OF_BRANCH + own
    }

    /// The branch that the figure at a place is of, and which of its own it is; none of one that all share.
    pub(in super::super) fn branch(&self, place: usize) -> Option<(usize, usize)> {
        let own = place.checked_sub(self.shared()).filter(|_| place < self.len())?;
        Some((own / FIGURES_OF_BRANCH, own % FIGURES_OF_BRANCH))
    }

    /// How many branches there are.
    pub(in super::super) fn branches(&self) -> usize {
        (self.len() - self.shared()) / FIGURES_OF_BRANCH
    }

    /// How many figures all share; they come first.
    pub(in super::super) const fn shared(&self) -> usize {
        SHARED + 2 * self.meters + self.kinds
    }
}
