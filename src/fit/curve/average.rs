//! The average over scales: which combinations of departure and noise carry
//! weight, and what each says about the targets.

use super::CurveSetup;
use super::cells::{Cells, NoiseNode};
use super::kernel::{self, Geometry, Member};
use super::posterior::{self, Factored, Projection, Regression};

/// A sweep made ready: data, geometry, family and noise nodes.
pub(super) struct Model {
    /// Collapsed readings.
    pub cells: Cells,
    /// Provisional slope, delivered units per pulse and ms.
    pub scale: f64,
    /// Widths of the targets after the two of the line, ms.
    pub target_widths: Vec<f64>,
    /// Shapes and local covariances.
    pub geometry: Geometry,
    /// Departures averaged over.
    pub members: Vec<Member>,
    /// Covariance of each member at the measured widths.
    pub departures: Vec<Vec<f64>>,
    /// Noise scales averaged over.
    pub nodes: Vec<NoiseNode>,
}

impl Model {
    /// Index of the target at a width that was given as a target.
    pub fn target_of(&self, width: f64) -> usize {
        2 + self
            .target_widths
            .iter()
            .position(|&w| w == width)
            .expect("every reading's width is a target")
    }
}

/// Prepares a model for the readings in `cells`.
pub(super) fn model(
    cells: Cells,
    setup: &CurveSetup,
    start: (f64, f64),
    target_widths: Vec<f64>,
    members: Vec<Member>,
) -> Model {
    let (scale, dead_time) = start;
    let geometry = kernel::geometry(
        &cells,
        &kernel::Wanted {
            line_range: setup.line_range,
            grid: &target_widths,
            dead_time,
        },
    );
    let nodes = super::cells::noise_nodes(&cells, setup, scale);
    let departures = members
        .iter()
        .map(|m| kernel::covariance(&geometry, m))
        .collect();
    Model {
        cells,
        scale,
        target_widths,
        geometry,
        members,
        departures,
        nodes,
    }
}

/// One combination of member, noise node and mean.
#[derive(Clone, Copy, Debug)]
pub(super) struct Candidate {
    /// Index into `Model::members`.
    pub member: usize,
    /// Index into `Model::nodes`.
    pub node: usize,
    /// Index into `Member::means`.
    pub mean: usize,
    /// Log weight, apart from a constant.
    pub log_weight: f64,
}

/// Nodes and combinations this many nats below the best are dropped: e⁻⁹ is
/// one part in eight thousand.
const NEGLIGIBLE: f64 = 9.0;

/// Weighs all combinations, best first, negligible ones left out.
pub(super) fn weigh(model: &Model) -> Vec<Candidate> {
    let count = model.members.len();
    // A few members spread over the family say which noise nodes matter.
    let probes: Vec<usize> = (0..count).filter(|i| i % 4 == 1 || count < 4).collect();
    let mut by_node = vec![f64::NEG_INFINITY; model.nodes.len()];
    let mut all = Vec::new();
    let evaluate = |member: usize, node: usize, all: &mut Vec<Candidate>| {
        let m = &model.members[member];
        let n = &model.nodes[node];
        let mut best = f64::NEG_INFINITY;
        let Some(factored) = posterior::factor(&model.geometry, &model.departures[member], m, n)
        else {
            return best;
        };
        for (mean, &(value, log_prior)) in m.means.iter().enumerate() {
            if let Some(r) = posterior::regress(&factored, n, value, m.log_prior + log_prior) {
                best = best.max(r.log_weight);
                all.push(Candidate {
                    member,
                    node,
                    mean,
                    log_weight: r.log_weight,
                });
            }
        }
        best
    };
    for (node, best) in by_node.iter_mut().enumerate() {
        for &member in &probes {
            *best = best.max(evaluate(member, node, &mut all));
        }
    }
    let top = by_node.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    for (node, &best) in by_node.iter().enumerate() {
        if best < top - NEGLIGIBLE {
            continue;
        }
        for member in (0..count).filter(|i| !probes.contains(i)) {
            evaluate(member, node, &mut all);
        }
    }
    let top = all
        .iter()
        .map(|c| c.log_weight)
        .fold(f64::NEG_INFINITY, f64::max);
    all.retain(|c| c.log_weight > top - NEGLIGIBLE);
    all.sort_by(|a, b| b.log_weight.total_cmp(&a.log_weight));
    all
}

/// All candidates of one member and node with the algebra they share.
pub(super) struct Group<'a> {
    /// The geometry.
    pub geometry: &'a Geometry,
    /// The departure.
    pub member: &'a Member,
    /// The noise scales.
    pub node: &'a NoiseNode,
    /// Factor of the covariance.
    pub factored: Factored,
    /// The targets projected.
    pub projection: Projection,
    /// One regression per mean of the member.
    pub regressions: Vec<Regression>,
    /// The candidates of this group.
    pub candidates: &'a [Candidate],
}

impl Group<'_> {
    /// Mean, variance and covariance with the offset of a target.
    pub fn target(&self, candidate: &Candidate, target: usize) -> (f64, f64, f64) {
        let regression = &self.regressions[candidate.mean];
        let mean = self.member.means[candidate.mean].0;
        (
            posterior::target_mean(
                self.geometry,
                self.member,
                &self.projection,
                regression,
                mean,
                target,
            ),
            posterior::target_variance(
                self.geometry,
                self.member,
                &self.projection,
                regression,
                target,
            ),
            posterior::form(
                &self.projection.rest[target],
                &regression.covariance,
                &[0.0, 0.0, 1.0],
            ),
        )
    }

    /// Covariance of the line's slope or level with a target.
    pub fn line_covariance(&self, candidate: &Candidate, line: usize, target: usize) -> f64 {
        let regression = &self.regressions[candidate.mean];
        posterior::line_target_covariance(
            self.geometry,
            self.member,
            &self.projection,
            regression,
            line,
            target,
        )
    }
}

/// Visits candidates grouped by member and node, in a fixed order.
pub(super) fn for_each_group(
    model: &Model,
    candidates: &[Candidate],
    mut visit: impl FnMut(&Group),
) {
    let mut sorted = candidates.to_vec();
    sorted.sort_by_key(|c| (c.member, c.node, c.mean));
    let mut cross: Vec<f64> = Vec::new();
    let mut last_member = usize::MAX;
    for chunk in sorted.chunk_by(|a, b| (a.member, a.node) == (b.member, b.node)) {
        let (member_index, node_index) = (chunk[0].member, chunk[0].node);
        let member = &model.members[member_index];
        let node = &model.nodes[node_index];
        if member_index != last_member {
            cross = kernel::cross_covariance(&model.geometry, member);
            last_member = member_index;
        }
        let Some(factored) = posterior::factor(
            &model.geometry,
            &model.departures[member_index],
            member,
            node,
        ) else {
            continue;
        };
        let projection = posterior::project(&model.geometry, &cross, &factored);
        let regressions: Vec<Regression> = member
            .means
            .iter()
            .filter_map(|&(mean, prior)| {
                posterior::regress(&factored, node, mean, member.log_prior + prior)
            })
            .collect();
        if regressions.len() < member.means.len() {
            continue;
        }
        visit(&Group {
            geometry: &model.geometry,
            member,
            node,
            factored,
            projection,
            regressions,
            candidates: chunk,
        });
    }
}
