//! The average over scales: which combinations of departure and noise carry
//! weight, and what each says about the targets.

use super::cells::{Cell, Cells, NoiseNode};
use super::family::Member;
use super::kernel::{self, Geometry, TargetPrior};
use super::log_sum::log_sum;
use super::posterior::{self, Factored, Projection, Regression, Start};
use super::{CurveSetup, Scale};
use crate::fit::noise::Noise;
use crate::fit::robust;

/// A sweep made ready: data, geometry, family and noise nodes.
pub(super) struct Model {
    /// Collapsed readings.
    pub cells: Cells,
    /// Provisional slope, delivered units per pulse and ms.
    pub scale: f64,
    /// Widths of the targets between those of the line and the nodes, ms: the grid, then
    /// what else was read.
    pub widths: Vec<f64>,
    /// Target of each node.
    pub node_targets: Vec<usize>,
    /// Shapes and local covariances.
    pub geometry: Geometry,
    /// Departures averaged over.
    pub members: Vec<Member>,
    /// What every factorisation of a member starts from.
    starts: Vec<Start>,
    /// Noise scales averaged over.
    pub nodes: Vec<NoiseNode>,
}

impl Model {
    /// A model for the readings in `cells`, without members yet; `widths` are
    /// the targets but the nodes.
    pub fn new(cells: Cells, setup: &CurveSetup, start: (f64, f64), widths: Vec<f64>) -> Self {
        let (scale, dead_time) = start;
        // A node at a width that is a target already is no other target.
        let mut nodes = Vec::with_capacity(setup.nodes.len());
        let mut node_targets = Vec::with_capacity(setup.nodes.len());
        for node in &setup.nodes {
            let known = widths.iter().position(|w| w == node);
            node_targets.push(2 + known.unwrap_or(widths.len() + nodes.len()));
            if known.is_none() {
                nodes.push(*node);
            }
        }
        let geometry = kernel::geometry(
            &cells,
            &kernel::Wanted {
                line_range: setup.line_range,
                grid: &widths,
                nodes: &nodes,
                dead_time,
            },
        );
        Self {
            cells,
            scale,
            widths,
            node_targets,
            geometry,
            members: Vec::new(),
            starts: Vec::new(),
            nodes: Vec::new(),
        }
    }

    /// The same with other departures to average over.
    pub fn with_members(mut self, members: Vec<Member>) -> Self {
        self.starts = members
            .iter()
            .map(|m| Start::of(&self.geometry, m))
            .collect();
        self.members = members;
        self
    }

    /// Number of targets before the nodes, those of the line included.
    pub fn before_nodes(&self) -> usize {
        2 + self.widths.len()
    }

    /// Index of the target at a width that was given as a target.
    pub fn target_of(&self, width: f64) -> usize {
        2 + self
            .widths
            .iter()
            .position(|&w| w == width)
            .expect("every reading's width is a target")
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

/// Combinations this many nats below the best are dropped: e⁻⁹ is one part in
/// eight thousand.
const NEGLIGIBLE: f64 = 9.0;
/// Noise nodes this many nats below the best, by the probing members.
const NEGLIGIBLE_NODE: f64 = 5.0;

/// Evaluates one member at one node, all means; gives the best log weight.
fn evaluate(
    model: &Model,
    node: &NoiseNode,
    node_index: usize,
    member: usize,
    room: &mut Factored,
    all: &mut Vec<Candidate>,
) -> f64 {
    let m = &model.members[member];
    let mut best = f64::NEG_INFINITY;
    if !posterior::factor(&model.starts[member], node, room) {
        return best;
    }
    for (mean, &(value, log_prior)) in m.means.iter().enumerate() {
        if let Some(r) = posterior::regress(room, node, value, m.log_prior + log_prior) {
            best = best.max(r.log_weight);
            all.push(Candidate {
                member,
                node: node_index,
                mean,
                log_weight: r.log_weight,
            });
        }
    }
    best
}

/// Values of the scatter of a single pulse to average over, with log prior weights.
///
/// Where nothing is stated of it, about [`PULSE_SCATTER`] of what a pulse of the middle
/// delivers. Only the stated value, or nothing, where even [`PULSE_LARGE`] times as much would
/// hardly add to the variance of most readings.
fn pulse_scatters(model: &Model, setup: &CurveSetup) -> Vec<(f64, f64)> {
    let cells = &model.cells.cells;
    let scale = setup.pulse_scatter.unwrap_or_else(|| {
        let per_pulse: Vec<f64> = cells.iter().map(|c| c.mean.abs() / c.pulses).collect();
        let usual = robust::median(&per_pulse).unwrap_or(0.0);
        Scale::about(PULSE_SCATTER * usual, PULSE_LOG_SD, 0.0)
    });
    let large = Noise {
        read: 0.0,
        repeatability: 0.0,
        pulse_scatter: PULSE_LARGE * scale.centre,
    };
    let rest = Noise {
        read: setup.reading.centre,
        repeatability: setup.repeatability.centre,
        pulse_scatter: 0.0,
    };
    let matters = |c: &&Cell| {
        let of = |noise: Noise| noise.variance(c.pulses, c.mean);
        of(large) > PULSE_MATTERS * of(rest)
    };
    if 2 * cells.iter().filter(matters).count() > cells.len() {
        scale.nodes(&PULSE_STEPS)
    } else {
        vec![(setup.pulse_scatter.map_or(0.0, |stated| stated.centre), 0.0)]
    }
}

/// Finds the noise nodes that matter. Gives them with the candidates of the probing members.
fn noise_nodes(
    model: &Model,
    setup: &CurveSetup,
    probes: &[usize],
) -> (Vec<NoiseNode>, Vec<Candidate>) {
    let mut found = Vec::new();
    let mut top = f64::NEG_INFINITY;
    for at in pulse_scatters(model, setup) {
        top = search_noise(model, setup, probes, at, top, &mut found);
    }
    found.retain(|f| f.1 > top - NEGLIGIBLE_NODE);
    let mut nodes = Vec::with_capacity(found.len());
    let mut candidates = Vec::new();
    for (index, (node, _, list)) in found.into_iter().enumerate() {
        nodes.push(node);
        candidates.extend(list.into_iter().map(|c| Candidate { node: index, ..c }));
    }
    (nodes, candidates)
}

/// A noise node with the best log weight of the probing members and all their candidates.
type Probed = (NoiseNode, f64, Vec<Candidate>);

/// Looks at reading uncertainty and repeatability for one scatter of a single pulse: every
/// other node of the grid first, then the neighbours of those that carry weight. `top` is the
/// best log weight so far, before and, returned, after.
fn search_noise(
    model: &Model,
    setup: &CurveSetup,
    probes: &[usize],
    (pulse_scatter, log_prior): (f64, f64),
    mut top: f64,
    found: &mut Vec<Probed>,
) -> f64 {
    let read = setup.reading.nodes(&READ_STEPS);
    let repeat = setup.repeatability.nodes(&REPEAT_STEPS);
    let mut room = Factored::default();
    let mut best = vec![vec![f64::NAN; repeat.len()]; read.len()];
    let mut queue: Vec<(usize, usize)> = Vec::new();
    for i in (0..read.len()).step_by(2) {
        queue.extend((0..repeat.len()).step_by(2).map(|j| (i, j)));
    }
    while !queue.is_empty() {
        for &(i, j) in &queue {
            let node = super::cells::noise_node(
                &model.cells,
                setup,
                model.scale,
                Noise {
                    read: read[i].0,
                    repeatability: repeat[j].0,
                    pulse_scatter,
                },
                read[i].1 + repeat[j].1 + log_prior,
            );
            let mut candidates = Vec::new();
            let mut value = f64::NEG_INFINITY;
            for &member in probes {
                value = value.max(evaluate(
                    model,
                    &node,
                    0,
                    member,
                    &mut room,
                    &mut candidates,
                ));
            }
            best[i][j] = value;
            top = top.max(value);
            found.push((node, value, candidates));
        }
        queue.clear();
        for i in 0..read.len() {
            for j in 0..repeat.len() {
                let near = |a: usize, b: usize| {
                    (a.saturating_sub(1)..=(a + 1).min(b - 1)).collect::<Vec<_>>()
                };
                let wanted = best[i][j].is_nan()
                    && near(i, read.len()).iter().any(|&a| {
                        near(j, repeat.len())
                            .iter()
                            .any(|&b| best[a][b] > top - NEGLIGIBLE_NODE)
                    });
                if wanted {
                    queue.push((i, j));
                }
            }
        }
    }
    top
}

/// Scatter of a single pulse that nothing is known of, as a share of what a pulse of the
/// middle delivers, and the standard deviation of its logarithm: common practice, no source.
const PULSE_SCATTER: f64 = 0.01;
const PULSE_LOG_SD: f64 = 0.9;
/// Nodes of the scatter of a single pulse in prior standard deviations.
const PULSE_STEPS: [f64; 9] = [-1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5, 2.0, 2.5];
/// A large scatter of a single pulse over the expected one, and the share of a reading's other
/// variance from which on it matters.
const PULSE_LARGE: f64 = 3.0;
const PULSE_MATTERS: f64 = 0.2;

/// Nodes of the reading uncertainty in prior standard deviations.
const READ_STEPS: [f64; 5] = [-1.3, -0.65, 0.0, 0.65, 1.3];
/// Nodes of the repeatability: further up than down, because a rig worse than
/// expected must not pass for a curve. The step is a factor 1.4, about what
/// two dozen readings tell apart.
const REPEAT_STEPS: [f64; 13] = [
    -2.0, -1.6, -1.2, -0.8, -0.4, 0.0, 0.4, 0.8, 1.2, 1.6, 2.0, 2.4, 2.8,
];

/// Brings nodes together whose variances are alike: where all readings fill the
/// vessel alike only the sum of reading noise and repeatability matters, and a
/// whole ridge of nodes says the same. The joint node has the mean variances of
/// its nodes, and their weight as the scouts see it.
fn gather(
    model: &Model,
    setup: &CurveSetup,
    nodes: Vec<NoiseNode>,
    found: &[Candidate],
    scouts: &[usize],
) -> Vec<NoiseNode> {
    let weights: Vec<f64> = (0..nodes.len())
        .map(|k| log_sum(found.iter().filter(|c| c.node == k).map(|c| c.log_weight)))
        .collect();
    let mut order: Vec<usize> = (0..nodes.len()).collect();
    order.sort_by(|&a, &b| weights[b].total_cmp(&weights[a]));
    let mut ratio = ALIKE;
    let mut groups = groups_alike(&nodes, &order, ratio);
    // Where readings say little of the noise a coarser grid says as much.
    while groups.len() > MOST_NODES {
        ratio *= 1.2;
        groups = groups_alike(&nodes, &order, ratio);
    }
    let mut room = Factored::default();
    let mut out = Vec::with_capacity(groups.len());
    for group in groups {
        let top = weights[group[0]];
        let weight = |k: usize| (weights[k] - top).exp();
        let sum: f64 = group.iter().map(|&k| weight(k)).sum();
        let noise = Noise::mean(group.iter().map(|&k| (weight(k), nodes[k].noise)));
        let mut node = super::cells::noise_node(&model.cells, setup, model.scale, noise, 0.0);
        let mut own = Vec::new();
        for &member in scouts {
            evaluate(model, &node, 0, member, &mut room, &mut own);
        }
        node.log_constant += top + sum.ln() - log_sum(own.iter().map(|c| c.log_weight));
        out.push(node);
    }
    out
}

/// Groups of nodes, each led by its heaviest, whose variances stay within a
/// ratio of the leader's at every width. `order` is by falling weight.
fn groups_alike(nodes: &[NoiseNode], order: &[usize], ratio: f64) -> Vec<Vec<usize>> {
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for &k in order {
        let alike = |leader: usize| {
            let widths = nodes[k]
                .mean_variance
                .iter()
                .zip(&nodes[leader].mean_variance);
            widths
                .into_iter()
                .all(|(&a, &b)| a < ratio * b && b < ratio * a)
        };
        match groups.iter_mut().find(|g| alike(g[0])) {
            Some(group) => group.push(k),
            None => groups.push(vec![k]),
        }
    }
    groups
}

/// Nodes kept at most after gathering.
const MOST_NODES: usize = 10;

/// Ratio of variances up to which two nodes are alike.
const ALIKE: f64 = 1.6;

/// Weighs all combinations, best first, negligible ones left out.
pub(super) fn weigh(model: &mut Model, setup: &CurveSetup) -> Vec<Candidate> {
    let count = model.members.len();
    let mut scouts: Vec<usize> = (0..count).filter(|&i| model.members[i].scout).collect();
    let mut all = Vec::new();
    let mut room = Factored::default();
    for round in 0..count {
        // The search for misreadings may have left the nodes of these readings.
        if round > 0 || model.nodes.is_empty() {
            let (nodes, found) = noise_nodes(model, setup, &scouts);
            model.nodes = gather(model, setup, nodes, &found, &scouts);
        }
        all.clear();
        let mut by_member = vec![f64::NEG_INFINITY; count];
        for (index, node) in model.nodes.iter().enumerate() {
            for (member, best) in by_member.iter_mut().enumerate() {
                *best = best.max(evaluate(model, node, index, member, &mut room, &mut all));
            }
        }
        let best_scout = scouts
            .iter()
            .map(|&i| by_member[i])
            .fold(f64::NEG_INFINITY, f64::max);
        // A member far better than all scouts must be asked about the noise itself.
        let better = (0..count)
            .filter(|&i| by_member[i] > best_scout + SCOUTS_FAILED)
            .max_by(|&a, &b| by_member[a].total_cmp(&by_member[b]));
        match better {
            Some(member) => scouts.push(member),
            None => break,
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

/// Nats by which another member may beat the scouts.
const SCOUTS_FAILED: f64 = 4.0;

/// All candidates of one member and node with the algebra they share.
pub(super) struct Group<'a> {
    /// The departure.
    pub member: &'a Member,
    /// The noise scales.
    pub node: &'a NoiseNode,
    /// Factor of the covariance.
    pub factored: &'a Factored,
    /// The targets projected.
    pub projection: &'a Projection,
    /// One regression per mean of the member.
    pub regressions: &'a [Regression],
    /// The candidates of this group.
    pub candidates: &'a [Candidate],
}

impl Group<'_> {
    /// Mean, variance and covariance with the offset of a target.
    pub fn target(&self, candidate: &Candidate, target: usize) -> (f64, f64, f64) {
        let regression = &self.regressions[candidate.mean];
        let projected = &self.projection.targets[target];
        (
            self.mean(candidate, target),
            projected.variance(regression),
            posterior::dot(&regression.covariance[posterior::OFFSET], &projected.rest),
        )
    }

    /// Its mean alone.
    pub fn mean(&self, candidate: &Candidate, target: usize) -> f64 {
        let regression = &self.regressions[candidate.mean];
        self.projection.targets[target].mean(regression, self.member.means[candidate.mean].0)
    }
}

/// Visits candidates grouped by member and node, in a fixed order, with the
/// first `targets` of the geometry projected.
pub(super) fn for_each_group(
    model: &Model,
    candidates: &[Candidate],
    targets: usize,
    mut visit: impl FnMut(&Group),
) {
    let mut sorted = candidates.to_vec();
    sorted.sort_by_key(|c| (c.member, c.node, c.mean));
    let mut prior = TargetPrior::default();
    let mut last_member = usize::MAX;
    let mut factored = Factored::default();
    let mut projection = Projection::default();
    let mut regressions = Vec::new();
    for chunk in sorted.chunk_by(|a, b| (a.member, a.node) == (b.member, b.node)) {
        let member = &model.members[chunk[0].member];
        let node = &model.nodes[chunk[0].node];
        if chunk[0].member != last_member {
            prior = kernel::target_prior(&model.geometry, member, targets);
            last_member = chunk[0].member;
        }
        if !posterior::factor(&model.starts[last_member], node, &mut factored) {
            continue;
        }
        regressions.clear();
        regressions.extend(member.means.iter().filter_map(|&(mean, log_prior)| {
            posterior::regress(&factored, node, mean, member.log_prior + log_prior)
        }));
        if regressions.len() < member.means.len() {
            continue;
        }
        posterior::project(&model.geometry, &prior, &factored, &mut projection);
        visit(&Group {
            member,
            node,
            factored: &factored,
            projection: &projection,
            regressions: &regressions,
            candidates: chunk,
        });
    }
}
