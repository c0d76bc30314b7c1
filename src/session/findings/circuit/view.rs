//! The machine at one point: its figures' values, and what is changed.

use super::{AppliedEdit, Edit, Figure, LeakPlace, MachineFigures, Part, term::Term};
use crate::procedure::DriverSide;

/// The figures at one point, and what was changed.
pub(super) struct MachineView<'a> {
    pub figures: &'a MachineFigures,
    /// By figure, then by size of the edits: value and slope. Those of the last edit may stand apart.
    pub values: &'a [(f64, f64)],
    pub last_sizes: &'a [(f64, f64)],
    /// Slopes are wanted by figures and sizes from this place on.
    pub first_slope: usize,
    pub edits: &'a [AppliedEdit],
    pub nominal: &'a [f64],
    pub kinds: &'a [usize],
    pub sides: &'a [DriverSide],
    pub reference_celsius: f64,
    /// 12 or 24 V.
    pub system_volts: f64,
    /// Copper's coefficient at the reference temperature, 1/K.
    pub alpha: f64,
}

impl MachineView<'_> {
    pub(super) fn at(&self, place: usize) -> (f64, f64) {
        match place.checked_sub(self.values.len()) {
            None => self.values[place],
            Some(own) => self.last_sizes[own],
        }
    }

    /// How many slopes are wanted.
    pub(super) const fn slopes(&self) -> usize {
        self.values.len() + self.last_sizes.len() - self.first_slope
    }

    pub(super) fn figure(&self, figure: Figure) -> Term {
        Term::of(self, self.figures.place(figure))
    }

    pub(super) fn size(&self, applied: &AppliedEdit, which: usize) -> Term {
        Term::of(self, applied.sizes + which)
    }

    /// The coil's ohms, cold or held on.
    pub(super) fn coil(&self, branch: usize, held: bool) -> Term {
        let mut at = branch;
        for applied in self.edits {
            if let Edit::SwappedCoils(one, other) = applied.edit {
                at = if at == one {
                    other
                } else if at == other {
                    one
                } else {
                    at
                };
            }
        }
        let mut celsius = self.figure(Figure::Celsius).plus(&self.figure(Figure::CoilWarmth(at)));
        for applied in self.edits {
            if applied.edit == Edit::Warmth(at) {
                celsius = celsius.plus(&self.size(applied, 0));
            }
        }
        let mut ratio = celsius.plus(&Term::constant(-self.reference_celsius)).scaled(self.alpha);
        // No coil is colder than copper's rule reaches.
        ratio.value = (1.0 + ratio.value).max(0.3);
        let mut ohms = self
            .figure(Figure::Coil(at))
            .times(&self.figure(Figure::CoilKind(self.kinds[at])))
            .scaled(self.nominal[at])
            .times(&ratio);
        if held {
            ohms = ohms.times(&self.figure(Figure::Held(at)).plus(&Term::constant(1.0)));
        }
        for applied in self.edits {
            match applied.edit {
                Edit::CoilFactor(changed) if changed == at => ohms = ohms.times(&self.size(applied, 0)),
                Edit::Open(Part::Coil(broken)) if broken == at => ohms = ohms.plus(&self.size(applied, 0)),
                _ => {}
            }
        }
        ohms
    }

    /// Ohms from the feed wire to the frame, everything switched off.
    pub(super) fn to_ground(&self, branch: usize) -> Term {
        let parallel = |one: &Term, other: &Term| {
            let sum = one.value + other.value;
            let (of_one, of_other) = ((other.value / sum).powi(2), (one.value / sum).powi(2));
            let mut term = one.scaled(of_one).plus(&other.scaled(of_other));
            term.value = one.value * other.value / sum;
            term
        };
        let mut ohms = self.figure(Figure::Insulation(branch));
        for applied in self.edits {
            match applied.edit {
                Edit::LeakToGround(at, LeakPlace::BeforeClamp | LeakPlace::BehindClamp) | Edit::LimitedLeak(at)
                    if at == branch =>
                {
                    ohms = parallel(&ohms, &self.size(applied, 0));
                }
                _ => {}
            }
        }
        ohms
    }

    pub(super) fn series(&self, part: Part) -> Term {
        let mut ohms = Term::default();
        for applied in self.edits {
            match applied.edit {
                Edit::Series(at) | Edit::Open(at) if at == part => ohms = ohms.plus(&self.size(applied, 0)),
                _ => {}
            }
        }
        ohms
    }

    /// Ohms of a driver that is on: what of its volts goes with the amps.
    pub(super) fn driver_ohms(&self, branch: usize) -> Term {
        let loaded = self.figure(Figure::UnloadedShare).scaled(-1.0).plus(&Term::constant(1.0));
        let volts = self.figure(Figure::DriverVolts).times(&self.figure(Figure::Driver(branch))).times(&loaded);
        volts.scaled(self.nominal[branch] / self.system_volts)
    }

    /// Volts that a driver takes while it is on, beside those that go with the amps.
    pub(super) fn driver_volts(&self, branch: usize, is_unloaded: bool) -> Term {
        let own = self.figure(Figure::DriverVolts).times(&self.figure(Figure::Driver(branch)));
        let mut volts = own.times(&self.figure(Figure::UnloadedShare));
        if let Some(applied) = self.edits.iter().find(|applied| applied.edit == Edit::JunctionDrivers) {
            let junction = self.size(applied, 0);
            let less = self.size(applied, 1).scaled(-1.0);
            volts = volts.plus(&if is_unloaded { junction.plus(&less) } else { junction });
        }
        // On by turns: off, its output has none of the feed's volts.
        let duty = self.figure(Figure::Duty(branch));
        if duty.value < 1.0 || self.at(self.figures.place(Figure::Duty(branch))).1 > 0.0 {
            volts = volts.plus(&self.source_volts().times(&duty.scaled(-1.0).plus(&Term::constant(1.0))));
        }
        for applied in self.edits {
            if let Edit::DriverVolts(faulty, without_load) = applied.edit
                && faulty == branch
                && (without_load || !is_unloaded)
            {
                volts = volts.plus(&self.size(applied, 0));
            }
        }
        volts
    }

    /// Volts of the battery without load.
    pub(super) fn source_volts(&self) -> Term {
        let weak = self.edits.iter().find(|applied| applied.edit == Edit::WeakBattery);
        let volts = weak.map_or_else(|| self.figure(Figure::Emf), |applied| self.size(applied, 0));
        match self.edits.iter().find(|applied| applied.edit == Edit::Charging) {
            Some(charging) => volts.plus(&self.size(charging, 0)),
            None => volts,
        }
    }

    /// Ohms inside the battery.
    pub(super) fn source_ohms(&self) -> Term {
        let weak = self.edits.iter().find(|applied| applied.edit == Edit::WeakBattery);
        weak.map_or_else(|| self.figure(Figure::BatteryOhms), |applied| self.size(applied, 1))
    }

    /// Ohms of what the machine draws anyhow.
    pub(super) fn standing_ohms(&self) -> Term {
        /// Without it, only instruments and leakage are left.
        const LITTLE: f64 = 60.0;
        let ohms = self.figure(Figure::StandingOhms);
        if self.edits.iter().any(|applied| applied.edit == Edit::LittleDraw) { ohms.scaled(LITTLE) } else { ohms }
    }
}
