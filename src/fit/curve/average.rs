//! The average over scales: which combinations of departure and noise carry
//! weight, and what each says about the targets.

use std::cell::OnceCell;
use std::iter;

use super::cells::{self, Cell, Cells, NoiseNode};
use super::family::{LONG_END, Member, family};
use super::kernel::{self, Geometry, LINE_TARGETS, TargetPrior};
use super::log_sum::log_sum;
use super::posterior::{self, Evidence, Factored, Projection, Start};
use super::{CurveSetup, Scale};
use crate::fit::noise::Noise;
use crate::fit::robust;

/// A sweep made ready: data, geometry and noise nodes.
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
    /// What every factorisation of a member starts from, once it was asked for.
    starts: Vec<OnceCell<Start>>,
    /// Noise scales averaged over.
    pub nodes: Vec<Node>,
}

/// Noise scales, and what the members asked so far say at them.
pub(super) struct Node {
    pub scales: NoiseNode,
    /// Of each member of the family.
    evidence: Vec<Option<Evidence>>,
}

impl From<NoiseNode> for Node {
    fn from(scales: NoiseNode) -> Self {
        Self {
            scales,
            evidence: vec![None; family().len()],
        }
    }
}

impl Node {
    /// Whether the variances at every width stay within a ratio of those of other scales.
    fn alike(&self, other: &NoiseNode, ratio: f64) -> bool {
        let mut widths = self.scales.mean_variance.iter().zip(&other.mean_variance);
        widths.all(|(&a, &b)| a < ratio * b && b < ratio * a)
    }

    /// What is known here, taken over to scales so much alike that only the spread of
    /// the repeats tells them apart.
    fn at(&self, scales: NoiseNode) -> Self {
        let log_factor = scales.log_constant - self.scales.log_constant;
        Self {
            scales,
            evidence: self.evidence.clone(),
        }
        .times(log_factor)
    }

    /// The same with a further factor, of which this is the logarithm, of all evidence.
    fn times(mut self, log_factor: f64) -> Self {
        for known in self.evidence.iter_mut().flatten() {
            *known = known.times(log_factor);
        }
        self
    }
}

/// Which members are asked, and at which of their means.
#[derive(Clone, Copy)]
pub(super) enum Asked {
    /// The few by which misreadings are judged, without a mean.
    Probes,
    /// All at all means.
    Everything,
}

impl Asked {
    fn members(self) -> Vec<usize> {
        let asked = |m: &Member| matches!(self, Self::Everything) || m.probe;
        (0..family().len())
            .filter(|&i| asked(&family()[i]))
            .collect()
    }

    fn means(self, member: &Member) -> &[(f64, f64)] {
        match self {
            Self::Probes => &member.means[..1],
            Self::Everything => &member.means,
        }
    }
}

impl Model {
    /// A model for the readings in `cells`; `widths` are the targets but the nodes.
    pub fn new(cells: Cells, setup: &CurveSetup, start: (f64, f64), widths: Vec<f64>) -> Self {
        let (scale, dead_time) = start;
        // A node at a width that is a target already is no other target.
        let mut nodes = Vec::with_capacity(setup.nodes.len());
        let mut node_targets = Vec::with_capacity(setup.nodes.len());
        for node in &setup.nodes {
            let known = widths.iter().position(|w| w == node);
            node_targets.push(LINE_TARGETS + known.unwrap_or(widths.len() + nodes.len()));
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
            starts: family().iter().map(|_| OnceCell::new()).collect(),
            nodes: Vec::new(),
        }
    }

    fn start(&self, member: usize) -> &Start {
        self.starts[member].get_or_init(|| Start::of(&self.geometry, &family()[member]))
    }

    /// Asks a member about a node unless it was asked before.
    fn ask(&self, node: &mut Node, member: usize, room: &mut Factored) -> Evidence {
        *node.evidence[member].get_or_insert_with(|| {
            if posterior::factor(self.start(member), &node.scales, room) {
                room.regression.evidence
            } else {
                Evidence::NONE
            }
        })
    }

    /// Number of targets before the nodes, those of the line included.
    pub fn before_nodes(&self) -> usize {
        LINE_TARGETS + self.widths.len()
    }

    /// Index of the target at a width that was given as a target.
    pub fn target_of(&self, width: f64) -> usize {
        LINE_TARGETS
            + self
                .widths
                .iter()
                .position(|&w| w == width)
                .expect("every reading's width is a target")
    }
}

/// One combination of member, noise node and mean.
#[derive(Clone, Copy, Debug)]
pub(super) struct Candidate {
    /// Index into the family.
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
/// Noise nodes this many nats below the best, by the scouts.
const NEGLIGIBLE_NODE: f64 = 5.0;

/// Log weights of one member at the means asked.
fn log_weights(asked: Asked, member: usize, evidence: Evidence) -> impl Iterator<Item = f64> {
    let member = &family()[member];
    let means = asked.means(member).iter();
    means.map(move |&(mean, log_prior)| evidence.at(mean) + member.log_weight + log_prior)
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

/// A noise node that was looked at.
struct Found {
    node: Node,
    /// Best log weight that the scouts have there.
    best: f64,
    /// Whether it says what a node says that is the same.
    borrowed: bool,
}

/// Finds the noise nodes that matter to the scouts.
fn noise_nodes(model: &Model, setup: &CurveSetup, asked: Asked, scouts: &[usize]) -> Vec<Node> {
    let mut found = Vec::new();
    let mut top = f64::NEG_INFINITY;
    for at in pulse_scatters(model, setup) {
        top = search_noise(model, setup, asked, scouts, at, top, &mut found);
    }
    found.retain(|f| f.best > top - NEGLIGIBLE_NODE);
    found.into_iter().map(|f| f.node).collect()
}

/// Looks at reading uncertainty and repeatability for one scatter of a single pulse: every
/// other node of the grid first, then the neighbours of those that carry weight. `top` is the
/// best log weight so far, before and, returned, after.
fn search_noise(
    model: &Model,
    setup: &CurveSetup,
    asked: Asked,
    scouts: &[usize],
    (pulse_scatter, log_prior): (f64, f64),
    mut top: f64,
    found: &mut Vec<Found>,
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
            let noise = Noise {
                read: read[i].0,
                repeatability: repeat[j].0,
                pulse_scatter,
            };
            let log_prior = read[i].1 + repeat[j].1 + log_prior;
            let scales = cells::noise_node(&model.cells, setup, model.scale, noise, log_prior);
            // Not of those that borrowed: step by step alike is not alike.
            let mut own = found.iter().filter(|f| !f.borrowed);
            let known = own.find(|f| f.node.alike(&scales, SAME));
            let borrowed = known.is_some();
            let mut node = match known {
                Some(known) => known.node.at(scales),
                None => Node::from(scales),
            };
            let mut value = f64::NEG_INFINITY;
            for &member in scouts {
                let evidence = model.ask(&mut node, member, &mut room);
                value = log_weights(asked, member, evidence).fold(value, f64::max);
            }
            best[i][j] = value;
            top = top.max(value);
            found.push(Found {
                node,
                best: value,
                borrowed,
            });
        }
        queue.clear();
        for i in 0..read.len() {
            for j in 0..repeat.len() {
                let near = |a: usize, b: usize| a.saturating_sub(1)..=(a + 1).min(b - 1);
                let wanted = best[i][j].is_nan()
                    && near(i, read.len())
                        .any(|a| near(j, repeat.len()).any(|b| best[a][b] > top - NEGLIGIBLE_NODE));
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
    asked: Asked,
    mut nodes: Vec<Node>,
    scouts: &[usize],
) -> Vec<Node> {
    let mut room = Factored::default();
    let mut weigh = |node: &mut Node| {
        log_sum(scouts.iter().flat_map(|&member| {
            let evidence = model.ask(node, member, &mut room);
            log_weights(asked, member, evidence)
        }))
    };
    let weights: Vec<f64> = nodes.iter_mut().map(&mut weigh).collect();
    let mut order: Vec<usize> = (0..nodes.len()).collect();
    order.sort_by(|&a, &b| weights[b].total_cmp(&weights[a]));
    let mut ratio = ALIKE;
    let mut groups = groups_alike(&nodes, &order, ratio);
    // Where readings say little of the noise a coarser grid says as much.
    while groups.len() > MOST_NODES {
        ratio *= 1.2;
        groups = groups_alike(&nodes, &order, ratio);
    }
    let join = |group: Vec<usize>| {
        let top = weights[group[0]];
        let weight = |k: usize| (weights[k] - top).exp();
        let sum: f64 = group.iter().map(|&k| weight(k)).sum();
        let noise = Noise::mean(group.iter().map(|&k| (weight(k), nodes[k].scales.noise)));
        let scales = cells::noise_node(&model.cells, setup, model.scale, noise, 0.0);
        let mut node = Node::from(scales);
        let log_factor = top + sum.ln() - weigh(&mut node);
        node.scales.log_constant += log_factor;
        node.times(log_factor)
    };
    groups.into_iter().map(join).collect()
}

/// Groups of nodes, each led by its heaviest, whose variances stay within a
/// ratio of the leader's at every width. `order` is by falling weight.
fn groups_alike(nodes: &[Node], order: &[usize], ratio: f64) -> Vec<Vec<usize>> {
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for &k in order {
        let alike = |leader: usize| nodes[k].alike(&nodes[leader].scales, ratio);
        match groups.iter_mut().find(|g| alike(g[0])) {
            Some(group) => group.push(k),
            None => groups.push(vec![k]),
        }
    }
    groups
}

/// Nodes kept at most after gathering.
const MOST_NODES: usize = 7;

/// Ratio of variances up to which two nodes are alike, and up to which they are the same
/// to a curve: its evidence then moves by a tenth of a nat.
const ALIKE: f64 = 2.0;
const SAME: f64 = 1.1;

/// Weighs all combinations of what is asked, best first, negligible ones left out.
pub(super) fn weigh(model: &mut Model, setup: &CurveSetup, asked: Asked) -> Vec<Candidate> {
    let members = asked.members();
    let mut scouts: Vec<usize> = members.clone();
    scouts.retain(|&member| family()[member].scout);
    let mut all = Vec::new();
    let mut room = Factored::default();
    for round in 0..members.len() {
        // The search for misreadings may have left the nodes of these readings.
        if round > 0 || model.nodes.is_empty() {
            let nodes = noise_nodes(model, setup, asked, &scouts);
            model.nodes = gather(model, setup, asked, nodes, &scouts);
        }
        all.clear();
        let mut by_member = vec![f64::NEG_INFINITY; family().len()];
        let mut nodes = std::mem::take(&mut model.nodes);
        for (index, node) in nodes.iter_mut().enumerate() {
            for &member in &members {
                let evidence = model.ask(node, member, &mut room);
                for (mean, log_weight) in log_weights(asked, member, evidence).enumerate() {
                    if log_weight.is_finite() {
                        by_member[member] = by_member[member].max(log_weight);
                        all.push(Candidate {
                            member,
                            node: index,
                            mean,
                            log_weight,
                        });
                    }
                }
            }
        }
        model.nodes = nodes;
        let best_scout = scouts
            .iter()
            .map(|&i| by_member[i])
            .fold(f64::NEG_INFINITY, f64::max);
        // A member far better than all scouts must be asked about the noise itself.
        let better = members
            .iter()
            .copied()
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
    /// Factor of the covariance, and the regression.
    pub factored: &'a Factored,
    /// The targets projected.
    pub projection: &'a Projection,
    /// The candidates of this group.
    pub candidates: &'a [Candidate],
}

impl Group<'_> {
    /// Mean of the leading shape of one of the candidates.
    pub fn mean_of(&self, candidate: &Candidate) -> f64 {
        self.member.means[candidate.mean].0
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
    let (mut decays, mut prior) = (TargetPrior::default(), TargetPrior::default());
    let long_end = iter::once((LONG_END, 1.0));
    let long_end = TargetPrior::of_shapes(&model.geometry, long_end, targets);
    let mut last_member = None;
    let mut factored = Factored::default();
    let mut projection = Projection::default();
    for chunk in sorted.chunk_by(|a, b| (a.member, a.node) == (b.member, b.node)) {
        let member = &family()[chunk[0].member];
        let node = &model.nodes[chunk[0].node].scales;
        if last_member != Some(chunk[0].member) {
            if last_member.is_none_or(|last| family()[last].leading != member.leading) {
                let shapes = member.decays_in_play();
                decays = TargetPrior::of_shapes(&model.geometry, shapes, targets);
            }
            prior.of_member(&model.geometry, member, [&decays, &long_end]);
            last_member = Some(chunk[0].member);
        }
        if !posterior::factor(model.start(chunk[0].member), node, &mut factored) {
            continue;
        }
        let of_member = (member, &prior);
        posterior::project(&model.geometry, of_member, &factored, &mut projection);
        visit(&Group {
            member,
            node,
            factored: &factored,
            projection: &projection,
            candidates: chunk,
        });
    }
}
