//! What a search that was stopped knows: the ends that it has, and never a figure that was only on its way.

use crate::measure::Standing;
use crate::outcome::{Figure, LoadMark};
use crate::study::attempts::{Attempt, Attempts};
use crate::study::run::Context;
use crate::study::saturation::iops_at;
use crate::study::trial::Question;

/// Why parts of a load curve were stopped; none of those that came to their end.
#[derive(Default)]
pub(super) struct Cut {
    pub stated: Option<String>,
    pub saturation: Option<String>,
    pub limit: Option<String>,
    pub knee: Option<String>,
    pub curve: Option<String>,
    pub ladder: Option<String>,
}

/// Does a part of the study within its share of the time left, and notes why it was stopped, if it was.
pub(super) fn cut_of<T>(
    context: &Context,
    share: f64,
    cut: &mut Option<String>,
    act: impl FnOnce() -> T,
) -> T {
    context.part(share, || {
        let found = act();
        *cut = context.is_cut().then(|| context.why_cut());
        found
    })
}

impl Cut {
    /// Why the limit is not known, if it is not.
    pub fn before_limit(&self) -> Option<&str> {
        self.limit.as_deref().or(self.saturation.as_deref())
    }

    /// What is not finished, for a study that ran out of time. Of one that was interrupted the answer says so itself.
    pub fn in_words(&self, context: &Context) -> Option<String> {
        let parts = [
            ("the stated load", &self.stated),
            ("saturation", &self.saturation),
            ("limit", &self.limit),
            ("knee", &self.knee),
            ("curve", &self.curve),
            ("ladder", &self.ladder),
        ];
        let open: Vec<&str> = parts.iter().filter(|(_, cut)| cut.is_some()).map(|(name, _)| *name).collect();
        let is_timed = context.time.is_some() && !context.is_interrupted();
        (is_timed && !open.is_empty())
            .then(|| format!("{}; not finished by then: {}", context.why_cut(), open.join(", ")))
    }
}

/// Saturation, as far as loads were surely accepted or rejected.
pub(super) fn saturation(attempts: &Attempts, why: Option<&str>) -> LoadMark {
    let is_full = |attempt: &Attempt| {
        attempt.tried.overloaded
            || (attempt.question == Question::Carried && attempt.standing == Standing::Fails)
    };
    open_mark(attempts, &is_full, why)
}

/// The limit of the objectives, likewise.
pub(super) fn limit(attempts: &Attempts, why: Option<&str>) -> LoadMark {
    let fails = |attempt: &Attempt| attempt.tried.overloaded || attempt.standing == Standing::Fails;
    let judged = |attempt: &&Attempt| attempt.question == Question::Objectives;
    let mut mark = open_mark(attempts, &fails, why);
    let holds = attempts.list.iter().filter(judged).filter(|a| a.standing == Standing::Holds);
    let low = holds.map(|a| a.scale).filter(|low| mark.scale.high.is_none_or(|high| *low < high));
    let low = low.max_by(f64::total_cmp);
    (mark.scale.low, mark.iops.low) = (low, low.map(|low| iops_at(attempts, low)));
    mark
}

/// The largest load that was accepted below the smallest that was rejected, and that one. There is no value between: what
/// trials point to was not tried.
fn open_mark(attempts: &Attempts, fails: &dyn Fn(&Attempt) -> bool, why: Option<&str>) -> LoadMark {
    let high = attempts.list.iter().filter(|a| fails(a)).map(|a| a.scale).min_by(f64::total_cmp);
    let holds = attempts.list.iter().filter(|a| a.standing == Standing::Holds).map(|a| a.scale);
    let low = holds.filter(|low| high.is_none_or(|high| *low < high)).max_by(f64::total_cmp);
    let figure = |of: &dyn Fn(f64) -> f64| Figure {
        value: None,
        low: low.map(of),
        high: high.map(of),
        reason: Some(why.unwrap_or("not known").to_owned()),
    };
    LoadMark { scale: figure(&|load| load), iops: figure(&|load| iops_at(attempts, load)) }
}
