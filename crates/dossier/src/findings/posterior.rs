//! Posterior over sensor orientation, rotor order and spins.
//!
//! A hypothesis says which channel of the gyro is which body axis with which sign, at which station
//! each output's rotor stands, and which way it turns. About x and y the angular acceleration then
//! goes with the thrusts weighted by the stations' levers; about z with the thrusts weighted by
//! reaction and cant, and with the rotors' own acceleration; every slope is free but not negative.
//! Hypotheses have equal prior weight and the same number of free slopes; with the noise variance
//! unknown the likelihood falls with what is left unexplained, (RSS)^(-n/2), n the number of
//! independent samples (Bernardo and Smith 1994, normal linear model, leading order).
//!
//! A layout that looks the same after a quarter or half turn about the vertical makes sets of
//! hypotheses that no motion in the air tells apart: sensor and numbering turned together. They are
//! kept together as one class: what the rotors do to the aircraft is the same in all of them, only
//! the nose is another.

/// No pattern explains more than this is short of all: rotors of one aircraft differ by up to some
/// ten per cent in thrust and lag (common practice, no source).
const FLOOR: f64 = 0.02;
/// Spread of the direction of gravity against the body's down axis, rad: slope of the ground, tilt
/// in the hop, sideways acceleration (12 deg; common practice, no source).
const DOWN_SPREAD: f64 = 0.21;
/// Yaw moments that go with total thrust, over the reaction of all rotors, with their weights: twisted
/// motors and uneven rotors. A standard deviation of 0.2, which is a twist of one degree at a reaction
/// of a twelfth of the arm (derived), in three points.
const TWIST: [(f64, f64); 3] = [(-0.35, 1.0 / 6.0), (0.0, 2.0 / 3.0), (0.35, 1.0 / 6.0)];
/// Where what was seen is so much less likely than before the hop, the hop is not to be trusted.
const SURPRISE: f64 = 0.05;
/// Above this number of rotors only likely faults are tried, not all.
pub(super) const ALL_ORDERS: usize = 6;

/// Second moments of rotor columns and the acceleration of one gyro channel, nuisance taken out: first
/// the columns of thrust by rotor, then those of rotor acceleration.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Axis {
    /// Rotors.
    pub rotors: usize,
    /// Products of columns, 2n x 2n, by row.
    pub gram: Vec<f64>,
    /// Products with the acceleration.
    pub cross: Vec<f64>,
    /// Square of the acceleration.
    pub total: f64,
    /// Independent samples.
    pub samples: f64,
}

impl Axis {
    fn quadratic(&self, a: &[f64], from: usize, b: &[f64], to: usize) -> f64 {
        let width = 2 * self.rotors;
        let mut sum = 0.0;
        for (i, x) in a.iter().enumerate() {
            let row = (from + i) * width + to;
            let inner: f64 = b.iter().zip(self.gram.get(row..).unwrap_or_default()).map(|(y, g)| y * g).sum();
            sum += x * inner;
        }
        sum
    }
    fn along(&self, a: &[f64], from: usize) -> f64 {
        a.iter().zip(self.cross.get(from..).unwrap_or_default()).map(|(x, c)| x * c).sum()
    }

    /// Below this square a pattern is nothing but rounding: it lies within the nuisance.
    fn least(&self, pattern: &[f64], from: usize) -> f64 {
        let width = 2 * self.rotors;
        let own: f64 = pattern
            .iter()
            .enumerate()
            .map(|(i, x)| x * x * self.gram.get((from + i) * (width + 1)).copied().unwrap_or(0.0))
            .sum();
        1e-7 * own
    }

    /// What a pattern of thrusts, and one of the rotors' own accelerations, leave of the square of the
    /// acceleration when the channel is read with a sign; no slope may be negative.
    fn rest(&self, pattern: &[f64], spins: Option<&[f64]>, sign: f64) -> f64 {
        let n = self.rotors;
        let mut ee = self.quadratic(pattern, 0, pattern, 0);
        let mut ce = sign * self.along(pattern, 0);
        if ee <= self.least(pattern, 0) {
            (ee, ce) = (0.0, 0.0);
        }
        let (mut ff, mut ef, mut cf) = (0.0, 0.0, 0.0);
        if let Some(s) = spins {
            let square = self.quadratic(s, n, s, n);
            if square > self.least(s, n) {
                (ff, ef, cf) = (square, self.quadratic(pattern, 0, s, n), sign * self.along(s, n));
            }
        }
        let single = |c: f64, square: f64| if c > 0.0 && square > 0.0 { c * c / square } else { 0.0 };
        let mut gain = single(ce, ee).max(single(cf, ff));
        let det = ee * ff - ef * ef;
        if det > 1e-9 * ee * ff && ff > 0.0 {
            let (b, c) = ((ce * ff - cf * ef) / det, (cf * ee - ce * ef) / det);
            if b >= 0.0 && c >= 0.0 {
                gain = gain.max(b * ce + c * cf);
            }
        }
        (self.total - gain).max(0.0)
    }

    /// Logarithm of the likelihood gained by free slopes of the thrusts, less what as many slopes of noise
    /// would gain.
    pub(super) fn evidence(&self) -> f64 {
        let n = self.rotors;
        let width = 2 * n;
        let at = |i: usize, j: usize| self.gram.get(i * width + j).copied().unwrap_or(0.0);
        // Cholesky with a trace of ridge on columns scaled to one.
        let scale: Vec<f64> = (0..n).map(|i| at(i, i).sqrt().max(1e-300)).collect();
        let mut l = vec![0.0; n * n];
        let mut y = vec![0.0; n];
        let mut gain = 0.0;
        for i in 0..n {
            for j in 0..=i {
                let mut v = at(i, j) / (scale[i] * scale[j]) + if i == j { 1e-6 } else { 0.0 };
                for k in 0..j {
                    v -= l[i * n + k] * l[j * n + k];
                }
                l[i * n + j] = if i == j { v.max(1e-12).sqrt() } else { v / l[j * n + j] };
            }
            let mut v = self.cross.get(i).copied().unwrap_or(0.0) / scale[i];
            for k in 0..i {
                v -= l[i * n + k] * y[k];
            }
            y[i] = v / l[i * n + i];
            gain += y[i] * y[i];
        }
        let left = if self.total > 0.0 { (1.0 - gain / self.total).clamp(0.0, 1.0) } else { 1.0 };
        -0.5 * self.samples * (left + FLOOR).ln() - 0.5 * n as f64
    }

    fn score(&self, rest: f64) -> f64 {
        -0.5 * self.samples * (rest + FLOOR * self.total).max(1e-300).ln()
    }
}

/// One gyro channel in either role: about a lateral body axis total thrust is nuisance too (the
/// off-centre mass), about the vertical it is not.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Channel {
    pub lateral: Axis,
    pub vertical: Axis,
}

/// Body axis j is channel `of[j]` times `sign[j]`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Orientation {
    pub of: [usize; 3],
    pub sign: [f64; 3],
}

impl Orientation {
    pub(super) const AS_MAPPED: Self = Self { of: [0, 1, 2], sign: [1.0, 1.0, 1.0] };

    /// The 24 right-angled ones, the mapped one first.
    pub(super) fn all() -> Vec<Self> {
        let mut all = Vec::new();
        for (of, even) in [
            ([0, 1, 2], true),
            ([1, 2, 0], true),
            ([2, 0, 1], true),
            ([1, 0, 2], false),
            ([0, 2, 1], false),
            ([2, 1, 0], false),
        ] {
            for bits in 0..8_u32 {
                let sign = [0, 1, 2].map(|j| if bits >> j & 1 == 1 { -1.0 } else { 1.0 });
                let odd_signs = bits.count_ones() % 2 == 1;
                if even != odd_signs {
                    all.push(Self { of, sign });
                }
            }
        }
        all
    }

    /// A vector of the channels in body axes.
    pub(super) fn turn(&self, v: [f64; 3]) -> [f64; 3] {
        [0, 1, 2].map(|j| self.sign[j] * v[self.of[j]])
    }

    /// The same seen from a body turned by `k` quarter turns about z (x of the old body is y of ...):
    /// a vector at (x, y) in the old body axes is at (-y, x) in the new ones for k = 1.
    fn quarter(&self, k: usize) -> Self {
        let mut o = *self;
        for _ in 0..k {
            o = Self { of: [o.of[1], o.of[0], o.of[2]], sign: [-o.sign[1], o.sign[0], o.sign[2]] };
        }
        o
    }

    /// In words: "x is channel y, reversed; ...".
    pub(super) fn words(&self) -> String {
        const NAMES: [&str; 3] = ["x", "y", "z"];
        let list: Vec<String> = (0..3)
            .filter(|&j| self.of[j] != j || self.sign[j] < 0.0)
            .map(|j| {
                let minus = if self.sign[j] < 0.0 { ", reversed" } else { "" };
                format!(
                    "body {} is channel {}{minus}",
                    NAMES[j],
                    NAMES.get(self.of[j]).copied().unwrap_or("x")
                )
            })
            .collect();
        if list.is_empty() { "axes as mapped".to_owned() } else { list.join("; ") }
    }
}

/// Stations as the question needs them.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Frame {
    /// Lever about x and y by station, m.
    pub lever: [Vec<f64>; 2],
    /// Lever about z from place and cant.
    pub cant: Vec<f64>,
    /// Reaction torque per thrust, m.
    pub reaction: f64,
    /// Sign of the reaction about z by station, as in the file.
    pub spin: Vec<f64>,
    /// Quarter turns under which the stations look the same, with the station that each comes to.
    pub turns: Vec<(usize, Vec<usize>)>,
}

impl Frame {
    /// From places (x, y, z), thrust axes and spins of the stations.
    pub(super) fn new(
        lever: [Vec<f64>; 2],
        cant: Vec<f64>,
        reaction: f64,
        spin: Vec<f64>,
        at: &[[f64; 3]],
        axis: &[[f64; 3]],
    ) -> Self {
        let n = at.len().max(1) as f64;
        let mean = |k: usize| at.iter().map(|p| p[k]).sum::<f64>() / n;
        let (cx, cy) = (mean(0), mean(1));
        let reach = at.iter().map(|p| (p[0] - cx).hypot(p[1] - cy)).fold(0.0, f64::max);
        let close = |a: f64, b: f64, by: f64| (a - b).abs() <= by;
        let mut turns = Vec::new();
        for k in 1..4 {
            let turn = |x: f64, y: f64| match k {
                1 => (-y, x),
                2 => (-x, -y),
                _ => (y, -x),
            };
            let image: Option<Vec<usize>> = at
                .iter()
                .zip(axis)
                .map(|(p, a)| {
                    let (x, y) = turn(p[0] - cx, p[1] - cy);
                    let (ax, ay) = turn(a[0], a[1]);
                    at.iter().zip(axis).position(|(q, b)| {
                        close(q[0] - cx, x, 0.05 * reach)
                            && close(q[1] - cy, y, 0.05 * reach)
                            && close(q[2], p[2], 0.05 * reach)
                            && close(b[0], ax, 0.02)
                            && close(b[1], ay, 0.02)
                    })
                })
                .collect();
            if let Some(image) = image {
                turns.push((k, image));
            }
        }
        Self { lever, cant, reaction, spin, turns }
    }
}

/// The hypotheses that are tried.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Hypotheses {
    pub orientations: Vec<Orientation>,
    /// Station of each output.
    pub orders: Vec<Vec<usize>>,
    /// Reaction sign of each output.
    pub spins: Vec<Vec<f64>>,
    /// Whether some were left out.
    pub reduced: bool,
}

impl Hypotheses {
    /// All orders and spins up to six rotors, likely faults above; the file's first.
    pub(super) fn of(frame: &Frame, orientations: Vec<Orientation>) -> Self {
        let n = frame.spin.len();
        let reduced = n > ALL_ORDERS;
        let orders = if reduced { likely_orders(frame, n) } else { permutations(n) };
        let flips: Vec<u32> = if reduced {
            let mask = (1_u32 << n) - 1;
            (0..=mask).filter(|f| f.count_ones() <= 2 || f.count_ones() + 2 >= n as u32).collect()
        } else {
            (0..1_u32 << n).collect()
        };
        // A flip is about the output: the spins of the file are those of the station it stands at.
        let spins = flips
            .iter()
            .map(|f| (0..n).map(|i| if f >> i & 1 == 1 { -frame.spin[i] } else { frame.spin[i] }).collect())
            .collect();
        Self { orientations, orders, spins, reduced }
    }

    fn index(&self, r: usize, p: usize, s: usize) -> usize {
        (r * self.orders.len() + p) * self.spins.len() + s
    }
    fn parts(&self, index: usize) -> (usize, usize, usize) {
        let (s, rest) = (index % self.spins.len(), index / self.spins.len());
        (rest / self.orders.len(), rest % self.orders.len(), s)
    }
}

/// All orders of 0..n, the natural one first.
pub(super) fn permutations(n: usize) -> Vec<Vec<usize>> {
    fn recurse(left: &mut Vec<usize>, taken: &mut Vec<usize>, all: &mut Vec<Vec<usize>>) {
        if left.is_empty() {
            all.push(taken.clone());
            return;
        }
        for k in 0..left.len() {
            let next = left.remove(k);
            taken.push(next);
            recurse(left, taken, all);
            taken.pop();
            left.insert(k, next);
        }
    }
    let mut all = Vec::new();
    recurse(&mut (0..n).collect(), &mut Vec::new(), &mut all);
    all
}

/// Orders that wiring or numbering gives by mistake: one or two exchanges, the numbering begun
/// elsewhere or run the other way round, and the frame turned.
fn likely_orders(frame: &Frame, n: usize) -> Vec<Vec<usize>> {
    let natural: Vec<usize> = (0..n).collect();
    let mut all = vec![natural.clone()];
    let mut push = |o: Vec<usize>| {
        if !all.contains(&o) {
            all.push(o);
        }
    };
    for k in 0..n {
        push((0..n).map(|i| (i + k) % n).collect());
        push((0..n).map(|i| (n + k - i) % n).collect());
    }
    for (_, image) in &frame.turns {
        push(image.clone());
    }
    for a in 0..n {
        for b in a + 1..n {
            let mut one = natural.clone();
            one.swap(a, b);
            for c in a + 1..n {
                for d in c + 1..n {
                    if c != b && d != b {
                        let mut two = one.clone();
                        two.swap(c, d);
                        push(two);
                    }
                }
            }
            push(one);
        }
    }
    all
}

/// What is known from outside: by output, the station or the spin that was seen.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Seen {
    /// Output, station.
    pub station: Vec<(usize, usize)>,
    /// Output, reaction sign.
    pub spin: Vec<(usize, f64)>,
    /// The sensor's axes are confirmed.
    pub axes: bool,
}

/// Weights of all hypotheses; their sum is 1.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Posterior {
    weights: Vec<f64>,
    hyp: Hypotheses,
    turns: Vec<(usize, Vec<usize>)>,
    /// False where what was seen contradicts the hop.
    pub trusted: bool,
}

/// Posterior from the moments of the three channels, under several models of the drives' lag that are
/// equally likely before; and the same with half of the independent samples. `down` is the mean specific
/// force in the channels' axes.
pub(super) fn posterior(
    models: &[[Channel; 3]],
    down: Option<[f64; 3]>,
    frame: &Frame,
    hyp: &Hypotheses,
) -> (Posterior, Posterior) {
    let (np, ns) = (hyp.orders.len(), hyp.spins.len());
    let canted = frame.cant.iter().any(|c| c.abs() > 1e-9);
    let mut logs = [(), ()].map(|_| vec![f64::NEG_INFINITY; hyp.orientations.len() * np * ns]);
    for axes in models {
        // Score of a channel with a sign as body axis x, y (by order) and z (by order and spins).
        let mut lateral = vec![Vec::new(); 12];
        let mut vertical = vec![Vec::new(); 6];
        for (c, channel) in axes.iter().enumerate() {
            for (g, sign) in [1.0, -1.0].into_iter().enumerate() {
                if !hyp.orientations.iter().any(|o| (0..3).any(|j| o.of[j] == c && o.sign[j] == sign)) {
                    continue;
                }
                for j in 0..2 {
                    lateral[(c * 2 + g) * 2 + j] = hyp
                        .orders
                        .iter()
                        .map(|p| {
                            let e: Vec<f64> = p.iter().map(|&s| frame.lever[j][s]).collect();
                            channel.lateral.score(channel.lateral.rest(&e, None, sign))
                        })
                        .collect();
                }
                let turned = |p: Option<&Vec<usize>>, s: &Vec<f64>| {
                    let axis = &channel.vertical;
                    TWIST.iter().fold(f64::NEG_INFINITY, |sum, (twist, weight)| {
                        let e: Vec<f64> = s
                            .iter()
                            .enumerate()
                            .map(|(i, r)| {
                                let cant = p.and_then(|p| frame.cant.get(p[i])).copied().unwrap_or(0.0);
                                cant + (r + twist) * frame.reaction
                            })
                            .collect();
                        log_sum(sum, weight.ln() + axis.score(axis.rest(&e, Some(s), sign)))
                    })
                };
                vertical[c * 2 + g] = if canted {
                    hyp.orders
                        .iter()
                        .flat_map(|p| hyp.spins.iter().map(move |s| turned(Some(p), s)))
                        .collect()
                } else {
                    hyp.spins.iter().map(|s| turned(None, s)).collect::<Vec<f64>>()
                };
            }
        }
        for (r, o) in hyp.orientations.iter().enumerate() {
            let side = |j: usize| o.of[j] * 2 + usize::from(o.sign[j] < 0.0);
            let lean = down.map_or(0.0, |f| {
                let b = o.turn(f);
                let size = (b[0] * b[0] + b[1] * b[1] + b[2] * b[2]).sqrt().max(1e-9);
                let angle = (-b[2] / size).clamp(-1.0, 1.0).acos();
                -0.5 * (angle / DOWN_SPREAD).powi(2)
            });
            for p in 0..np {
                let lat = lateral[side(0) * 2][p] + lateral[side(1) * 2 + 1][p];
                for s in 0..ns {
                    let v = vertical[side(2)][if canted { p * ns + s } else { s }];
                    for (all, temper) in logs.iter_mut().zip([1.0, 0.5]) {
                        let slot = &mut all[(r * np + p) * ns + s];
                        *slot = log_sum(*slot, temper * (lat + v) + lean);
                    }
                }
            }
        }
    }
    let [full, half] = logs.map(|logs| {
        let top = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let mut weights: Vec<f64> =
            logs.iter().map(|l| if top.is_finite() { (l - top).exp() } else { 1.0 }).collect();
        normalise(&mut weights);
        Posterior { weights, hyp: hyp.clone(), turns: frame.turns.clone(), trusted: true }
    });
    (full, half)
}

/// Share of each body axis' acceleration that a hypothesis explains, under the model that suits it best.
pub(super) fn explained(models: &[[Channel; 3]], frame: &Frame, h: &Hypothesis) -> [f64; 3] {
    let share = |axis: &Axis, rest: f64| if axis.total > 0.0 { 1.0 - rest / axis.total } else { 0.0 };
    let mut best = [0.0_f64; 3];
    for axes in models {
        for (j, most) in best.iter_mut().enumerate() {
            let Some(channel) = axes.get(h.orientation.of[j]) else { continue };
            let sign = h.orientation.sign[j];
            let here = if j < 2 {
                let e: Vec<f64> = h.order.iter().map(|&s| frame.lever[j][s]).collect();
                share(&channel.lateral, channel.lateral.rest(&e, None, sign))
            } else {
                TWIST
                    .iter()
                    .map(|(twist, _)| {
                        let e: Vec<f64> = (h.spins.iter().zip(&h.order))
                            .map(|(r, &s)| frame.cant[s] + (r + twist) * frame.reaction)
                            .collect();
                        share(&channel.vertical, channel.vertical.rest(&e, Some(&h.spins), sign))
                    })
                    .fold(0.0, f64::max)
            };
            *most = most.max(here);
        }
    }
    best
}

/// log(exp(a) + exp(b)).
fn log_sum(a: f64, b: f64) -> f64 {
    let (top, low) = (a.max(b), a.min(b));
    if low > top - 40.0 { top + (low - top).exp().ln_1p() } else { top }
}

fn normalise(weights: &mut [f64]) {
    let sum: f64 = weights.iter().sum();
    if sum > 0.0 {
        weights.iter_mut().for_each(|w| *w /= sum);
    }
}

/// One hypothesis.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Hypothesis {
    pub orientation: Orientation,
    pub order: Vec<usize>,
    pub spins: Vec<f64>,
}

impl Posterior {
    /// With what was seen taken into account.
    pub(super) fn given(&self, seen: &Seen) -> Self {
        let mut next = self.clone();
        let (mut kept, mut mass) = (0_usize, 0.0);
        for (k, w) in next.weights.iter_mut().enumerate() {
            let (r, p, s) = self.hyp.parts(k);
            let fits = seen.station.iter().all(|&(i, st)| self.hyp.orders[p].get(i) == Some(&st))
                && seen.spin.iter().all(|&(i, sp)| self.hyp.spins[s].get(i) == Some(&sp))
                && (!seen.axes || self.hyp.orientations[r] == Orientation::AS_MAPPED);
            if fits {
                kept += 1;
                mass += *w;
            } else {
                *w = 0.0;
            }
        }
        let before = kept as f64 / next.weights.len().max(1) as f64;
        next.trusted = self.trusted && mass > SURPRISE * before;
        normalise(&mut next.weights);
        next
    }

    pub(super) fn hypothesis(&self, index: usize) -> Hypothesis {
        let (r, p, s) = self.hyp.parts(index);
        Hypothesis {
            orientation: self.hyp.orientations[r],
            order: self.hyp.orders[p].clone(),
            spins: self.hyp.spins[s].clone(),
        }
    }

    /// Members of the class of a hypothesis: itself, and what the turns of the layout make of it.
    pub(super) fn members(&self, index: usize) -> Vec<usize> {
        let (r, p, s) = self.hyp.parts(index);
        let mut members = vec![index];
        for (k, image) in &self.turns {
            let o = self.hyp.orientations[r].quarter(*k);
            let order: Vec<usize> = self.hyp.orders[p].iter().map(|&st| image[st]).collect();
            let (Some(r), Some(p)) = (
                self.hyp.orientations.iter().position(|x| *x == o),
                self.hyp.orders.iter().position(|x| *x == order),
            ) else {
                continue;
            };
            members.push(self.hyp.index(r, p, s));
        }
        members
    }

    /// Weight of the hypothesis.
    pub(super) fn weight(&self, index: usize) -> f64 {
        self.weights.get(index).copied().unwrap_or(0.0)
    }

    /// Weight of the class of a hypothesis.
    pub(super) fn class_weight(&self, index: usize) -> f64 {
        self.members(index).iter().map(|&k| self.weight(k)).sum()
    }

    /// Most likely hypothesis; of equals the one with the fewest faults.
    pub(super) fn best(&self) -> usize {
        let top = self.weights.iter().copied().fold(0.0, f64::max);
        (0..self.weights.len())
            .filter(|&k| self.weights[k] >= 0.999 * top)
            .min_by_key(|&k| self.faults(k))
            .unwrap_or(0)
    }

    /// The most likely one outside the class of another.
    pub(super) fn best_but(&self, index: usize) -> usize {
        let class = self.members(index);
        let mut best = None;
        for (k, w) in self.weights.iter().enumerate() {
            if best.is_none_or(|b: usize| *w > self.weights[b]) && !class.contains(&k) {
                best = Some(k);
            }
        }
        best.unwrap_or(0)
    }

    /// Differences from the file: outputs at another station, of another sense than there, axes turned.
    fn faults(&self, index: usize) -> usize {
        let h = self.hypothesis(index);
        let natural = &self.hyp.spins[0];
        let moved = h.order.iter().enumerate().filter(|(i, s)| i != *s).count();
        let turned = h.spins.iter().zip(&h.order).filter(|(s, st)| natural.get(**st) != Some(s)).count();
        let axes = (0..3).filter(|&j| h.orientation.of[j] != j || h.orientation.sign[j] < 0.0).count();
        moved + turned + axes
    }

    /// The output whose station and sense are least certain, with the entropy of that, bit: seeing it turn
    /// tells most.
    pub(super) fn next_to_spin(&self) -> Option<(usize, f64)> {
        let n = self.hyp.spins.first()?.len();
        (0..n)
            .map(|i| {
                let mut cells = vec![0.0; 2 * n];
                for (k, w) in self.weights.iter().enumerate().filter(|(_, w)| **w > 0.0) {
                    let (_, p, s) = self.hyp.parts(k);
                    cells[2 * self.hyp.orders[p][i] + usize::from(self.hyp.spins[s][i] > 0.0)] += w;
                }
                let bits: f64 = cells.iter().filter(|c| **c > 0.0).map(|c| -c * c.log2()).sum();
                (i, bits)
            })
            .fold(
                None,
                |best: Option<(usize, f64)>, x| {
                    if best.is_none_or(|b| x.1 > b.1 + 1e-9) { Some(x) } else { best }
                },
            )
    }

    /// Hypotheses, the likeliest first, of equals those with fewer faults.
    pub(super) fn ranked(&self) -> impl Iterator<Item = usize> {
        let mut all: Vec<usize> = (0..self.weights.len()).filter(|&k| self.weights[k] > 1e-6).collect();
        // Members of a class differ by rounding only: by the weight to a thousandth of a decade first.
        let coarse = |k: usize| (-1000.0 * self.weights[k].log10()).round();
        all.sort_by(|&a, &b| {
            coarse(a).total_cmp(&coarse(b)).then_with(|| self.faults(a).cmp(&self.faults(b)))
        });
        all.into_iter()
    }

    /// Whether hypotheses were left out.
    pub(super) fn reduced(&self) -> bool {
        self.hyp.reduced
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The rotation group of the cube has 24 elements, each with determinant 1 (any textbook of group
    /// theory).
    #[test]
    fn val_orientations() {
        let all = Orientation::all();
        assert_eq!(all.len(), 24);
        assert_eq!(all[0], Orientation::AS_MAPPED);
        for o in &all {
            let m = |v| o.turn(v);
            let (x, y, z) = (m([1.0, 0.0, 0.0]), m([0.0, 1.0, 0.0]), m([0.0, 0.0, 1.0]));
            let det = x[0] * (y[1] * z[2] - y[2] * z[1]) - y[0] * (x[1] * z[2] - x[2] * z[1])
                + z[0] * (x[1] * y[2] - x[2] * y[1]);
            assert_eq!(det, 1.0);
            assert!(all.contains(&o.quarter(1)) && o.quarter(4) == *o);
        }
        let distinct = all.iter().enumerate().all(|(i, a)| all[..i].iter().all(|b| a != b));
        assert!(distinct);
    }

    #[test]
    fn val_orders() {
        // n! of them, each once.
        for (n, count) in [(3, 6), (4, 24), (6, 720)] {
            let mut all = permutations(n);
            assert_eq!(all[0], (0..n).collect::<Vec<_>>());
            all.sort();
            all.dedup();
            assert_eq!(all.len(), count);
        }
    }
}
