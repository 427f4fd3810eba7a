//! Axis turns: from the axes of a source to ours (front, right, down; north, east, down).
//!
//! A turn is a signed permutation with determinant +1, named by where the source's own x, y and z
//! point: `front-left-up`. Attitudes turn on both sides: with B from source body to our body and
//! E from source earth to our earth, R = E R_source B^T.

use nalgebra::{Matrix3, Quaternion, Rotation3, UnitQuaternion};

/// A signed permutation: our axis `i` is `sign[i]` times the source's axis `from[i]`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Turn {
    /// Source axis for each of ours.
    pub from: [usize; 3],
    /// Its sign.
    pub sign: [i8; 3],
}

const BODY: [(&str, usize, i8); 8] = [
    ("front", 0, 1),
    ("forward", 0, 1),
    ("back", 0, -1),
    ("rear", 0, -1),
    ("right", 1, 1),
    ("left", 1, -1),
    ("down", 2, 1),
    ("up", 2, -1),
];
const EARTH: [(&str, usize, i8); 6] =
    [("north", 0, 1), ("south", 0, -1), ("east", 1, 1), ("west", 1, -1), ("down", 2, 1), ("up", 2, -1)];

impl Default for Turn {
    fn default() -> Self {
        Self::NONE
    }
}

impl Turn {
    /// No turn.
    pub const NONE: Self = Self { from: [0, 1, 2], sign: [1, 1, 1] };
    /// Half a turn about x: front-left-up, or north-west-up.
    pub const ABOUT_X: Self = Self { from: [0, 1, 2], sign: [1, -1, -1] };

    /// From three words such as `front-left-up`.
    pub fn body(text: &str) -> Result<Self, TurnError> {
        Self::parse(text, &BODY)
    }
    /// From three words such as `north-west-up`.
    pub fn earth(text: &str) -> Result<Self, TurnError> {
        Self::parse(text, &EARTH)
    }

    fn parse(text: &str, words: &[(&str, usize, i8)]) -> Result<Self, TurnError> {
        let parts: Vec<&str> = text.split('-').map(str::trim).collect();
        let [a, b, c] = parts.as_slice() else { return Err(TurnError::Count { count: parts.len() }) };
        let mut turn = Self::NONE;
        let mut seen = [false; 3];
        for (source, word) in [a, b, c].into_iter().enumerate() {
            let Some((_, ours, sign)) = words.iter().find(|(w, _, _)| w == word) else {
                return Err(TurnError::Word { word: (*word).to_owned() });
            };
            if std::mem::replace(&mut seen[*ours], true) {
                return Err(TurnError::Twice { word: (*word).to_owned() });
            }
            turn.from[*ours] = source;
            turn.sign[*ours] = *sign;
        }
        if turn.determinant() < 0 { Err(TurnError::LeftHanded) } else { Ok(turn) }
    }

    /// +1 for a turn, -1 with a mirror.
    pub fn determinant(&self) -> i8 {
        let odd = matches!(self.from, [0, 2, 1] | [2, 1, 0] | [1, 0, 2]);
        self.sign.iter().product::<i8>() * if odd { -1 } else { 1 }
    }

    /// `self` after `first`.
    pub fn after(&self, first: &Self) -> Self {
        let mut out = Self::NONE;
        for i in 0..3 {
            out.from[i] = first.from[self.from[i]];
            out.sign[i] = self.sign[i] * first.sign[self.from[i]];
        }
        out
    }

    /// As a matrix: ours = matrix * source.
    pub fn matrix(&self) -> Matrix3<f64> {
        let mut m = Matrix3::zeros();
        for i in 0..3 {
            m[(i, self.from[i])] = f64::from(self.sign[i]);
        }
        m
    }

    fn words(&self, words: &[(&'static str, usize, i8)]) -> String {
        let mut out = ["", "", ""];
        for ours in 0..3 {
            if let Some((w, _, _)) = words.iter().find(|(_, a, s)| *a == ours && *s == self.sign[ours]) {
                out[self.from[ours]] = w;
            }
        }
        out.join("-")
    }
    /// In words: `front-left-up`.
    pub fn body_words(&self) -> String {
        self.words(&BODY)
    }
    /// In words: `north-west-up`.
    pub fn earth_words(&self) -> String {
        self.words(&EARTH)
    }
}

/// Why an axis turn is not one.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum TurnError {
    /// Not three words.
    #[error("an axis turn has three words, this has {count}")]
    Count {
        /// Words found.
        count: usize,
    },
    /// A word that names no direction.
    #[error("`{word}` is no direction")]
    Word {
        /// The word.
        word: String,
    },
    /// Two words along one line.
    #[error("`{word}` repeats a direction that is named already, or its opposite")]
    Twice {
        /// The second word.
        word: String,
    },
    /// The three make a left-handed set.
    #[error("these axes are left-handed, which no turn of the aircraft gives")]
    LeftHanded,
}

/// Our attitude (north-east-down from front-right-down) from a source's.
pub(super) fn turn_attitude(q: [f64; 4], earth: &Turn, body: &Turn) -> [f64; 4] {
    let norm = q.iter().map(|v| v * v).sum::<f64>().sqrt();
    if !(norm.is_finite() && norm > 1e-9) {
        return [f64::NAN; 4];
    }
    let [w, i, j, k] = q.map(|v| v / norm);
    if *earth == Turn::NONE && *body == Turn::NONE {
        return [w, i, j, k];
    }
    let turn = |t: &Turn| UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(t.matrix()));
    let source = UnitQuaternion::new_unchecked(Quaternion::new(w, i, j, k));
    let out = turn(earth) * source * turn(body).inverse();
    [out.w, out.i, out.j, out.k]
}

/// Quaternion of yaw, then pitch, then roll (Diebel 2006, eq. 285 with the sequence 3-2-1), rad.
pub(super) fn from_angles(roll: f64, pitch: f64, yaw: f64) -> [f64; 4] {
    let q = UnitQuaternion::from_euler_angles(roll, pitch, yaw);
    [q.w, q.i, q.j, q.k]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_go_round() {
        for text in
            ["front-right-down", "front-left-up", "right-front-up", "left-back-up", "down-front-right"]
        {
            let turn = Turn::body(text).unwrap();
            assert_eq!(turn.body_words(), text);
            assert!((turn.matrix().determinant() - 1.0).abs() < 1e-12, "{text}");
        }
        assert_eq!(Turn::body("front-left-up").unwrap(), Turn::ABOUT_X);
        assert_eq!(Turn::earth("east-north-up").unwrap().earth_words(), "east-north-up");
        assert_eq!(Turn::body("front-left-down"), Err(TurnError::LeftHanded));
        assert!(matches!(Turn::body("front-back-up"), Err(TurnError::Twice { .. })));
        assert!(matches!(Turn::body("front-left"), Err(TurnError::Count { count: 2 })));
        assert!(matches!(Turn::body("front-left-sideways"), Err(TurnError::Word { .. })));
    }

    #[test]
    fn attitude_turns_like_vectors_do() {
        // A vector fixed to the body, taken to earth by both descriptions, must be the same vector.
        let body = Turn::body("front-left-up").unwrap();
        let earth = Turn::earth("east-north-up").unwrap();
        let source = UnitQuaternion::from_euler_angles(0.3, -0.4, 1.1);
        let ours = turn_attitude([source.w, source.i, source.j, source.k], &earth, &body);
        let ours = UnitQuaternion::new_unchecked(Quaternion::new(ours[0], ours[1], ours[2], ours[3]));
        let v = nalgebra::Vector3::new(0.2, -1.3, 0.7);
        let difference = earth.matrix() * (source * v) - ours * (body.matrix() * v);
        assert!(difference.norm() < 1e-12);
    }
}
