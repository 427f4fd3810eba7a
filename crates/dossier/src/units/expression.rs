//! Reads unit expressions: `kg m^2`, `deg/s/sqrt(Hz)`, `kg/(m s)`.

use super::table::{PREFIXES, UNITS, UnitEntry, WORDS, powers};
use super::{Dimension, Unit};

/// Longest unit that is read, characters: nothing real comes near it.
const LONGEST_UNIT: usize = 60;

/// Why a unit text was not read.
pub(super) enum ReadUnit {
    Unknown,
    Ambiguous,
}

/// All readings of a unit text; more than one where a symbol has two meanings.
pub(super) fn read_unit(text: &str) -> Result<Vec<Unit>, ReadUnit> {
    if text.chars().count() > LONGEST_UNIT {
        return Err(ReadUnit::Unknown);
    }
    let chars: Vec<char> = text.chars().collect();
    let mut at = 0;
    let units = read_product(&chars, &mut at, 0)?;
    if at == chars.len() { Ok(units) } else { Err(ReadUnit::Unknown) }
}

fn skip_space(chars: &[char], at: &mut usize) {
    while chars.get(*at).is_some_and(|c| c.is_whitespace()) {
        *at += 1;
    }
}

fn read_product(chars: &[char], at: &mut usize, depth: usize) -> Result<Vec<Unit>, ReadUnit> {
    if depth > 4 {
        return Err(ReadUnit::Unknown);
    }
    let one = Unit { numerator: 1.0, denominator: 1.0, offset: 0.0, exponents: powers(0, 0, 0, 0, 0, 0) };
    let mut units = vec![one];
    let mut first = true;
    let mut divided = false;
    loop {
        skip_space(chars, at);
        match chars.get(*at) {
            None | Some(')') => break,
            Some('/') => {
                *at += 1;
                divided = true;
                skip_space(chars, at);
                let factor = read_factor(chars, at, depth)?;
                units = combine(&units, &factor, -1);
            }
            Some(c) => {
                if matches!(c, '*' | '\u{b7}' | '\u{22c5}') {
                    if first {
                        return Err(ReadUnit::Unknown);
                    }
                    *at += 1;
                    skip_space(chars, at);
                }
                if divided {
                    return Err(ReadUnit::Ambiguous);
                }
                let factor = read_factor(chars, at, depth)?;
                units = if first { factor } else { combine(&units, &factor, 1) };
            }
        }
        first = false;
    }
    if first { Err(ReadUnit::Unknown) } else { Ok(units) }
}

fn combine(left: &[Unit], right: &[Unit], sign: i8) -> Vec<Unit> {
    let mut out = Vec::new();
    for a in left {
        for b in right {
            let (n, d) = if sign > 0 { (b.numerator, b.denominator) } else { (b.denominator, b.numerator) };
            let mut exponents = a.exponents;
            for (e, f) in exponents.iter_mut().zip(b.exponents) {
                *e = e.saturating_add(f.saturating_mul(sign));
            }
            if out.len() < 64 {
                out.push(Unit {
                    numerator: a.numerator * n,
                    denominator: a.denominator * d,
                    offset: 0.0,
                    exponents,
                });
            }
        }
    }
    out
}

fn read_factor(chars: &[char], at: &mut usize, depth: usize) -> Result<Vec<Unit>, ReadUnit> {
    let mut units = if chars.get(*at) == Some(&'(') {
        *at += 1;
        let inner = read_product(chars, at, depth + 1)?;
        close(chars, at)?;
        inner
    } else {
        let start = *at;
        if chars.get(*at) == Some(&'1') {
            *at += 1;
        } else {
            while chars.get(*at).is_some_and(|c| c.is_alphabetic() || matches!(c, '%' | '\u{b0}' | '"')) {
                *at += 1;
            }
        }
        let symbol: String = chars.get(start..*at).unwrap_or_default().iter().collect();
        if symbol == "sqrt" && chars.get(*at) == Some(&'(') {
            *at += 1;
            let inner = read_product(chars, at, depth + 1)?;
            close(chars, at)?;
            inner.iter().filter_map(square_root).collect()
        } else {
            symbols(&symbol)
        }
    };
    if units.is_empty() {
        return Err(ReadUnit::Unknown);
    }
    if let Some(power) = read_power(chars, at)? {
        for u in &mut units {
            u.numerator = u.numerator.powi(power.into());
            u.denominator = u.denominator.powi(power.into());
            u.offset = 0.0;
            for e in &mut u.exponents {
                *e = e.saturating_mul(power);
            }
        }
    }
    Ok(units)
}

fn close(chars: &[char], at: &mut usize) -> Result<(), ReadUnit> {
    skip_space(chars, at);
    if chars.get(*at) == Some(&')') {
        *at += 1;
        Ok(())
    } else {
        Err(ReadUnit::Unknown)
    }
}

fn square_root(unit: &Unit) -> Option<Unit> {
    let mut exponents = unit.exponents;
    for e in &mut exponents {
        if *e % 2 != 0 {
            return None;
        }
        *e /= 2;
    }
    Some(Unit {
        numerator: unit.numerator.sqrt(),
        denominator: unit.denominator.sqrt(),
        offset: 0.0,
        exponents,
    })
}

/// A power written as `^2`, `^-1` or raised digits.
fn read_power(chars: &[char], at: &mut usize) -> Result<Option<i8>, ReadUnit> {
    const RAISED: &[(char, i8)] = &[('\u{b9}', 1), ('\u{b2}', 2), ('\u{b3}', 3), ('\u{2074}', 4)];
    let mut sign = 1;
    let mut here = *at;
    if chars.get(here) == Some(&'^') {
        here += 1;
        if chars.get(here) == Some(&'-') {
            sign = -1;
            here += 1;
        }
        let digit = chars.get(here).and_then(|c| c.to_digit(10)).and_then(|d| i8::try_from(d).ok());
        *at = here + 1;
        return match digit {
            Some(d @ 1..=4) => Ok(Some(sign * d)),
            _ => Err(ReadUnit::Unknown),
        };
    }
    if chars.get(here) == Some(&'\u{207b}') {
        sign = -1;
        here += 1;
    }
    match chars.get(here).and_then(|c| RAISED.iter().find(|(r, _)| r == c)) {
        Some((_, d)) => {
            *at = here + 1;
            Ok(Some(sign * d))
        }
        None if sign < 0 => Err(ReadUnit::Unknown),
        None => Ok(None),
    }
}

/// All meanings of one symbol, with prefix: an exact symbol wins over a prefixed one.
fn symbols(symbol: &str) -> Vec<Unit> {
    let make = |e: &UnitEntry, p: (f64, f64)| Unit {
        numerator: e.numerator * p.0,
        denominator: e.denominator * p.1,
        offset: e.offset,
        exponents: e.exponents,
    };
    let exact: Vec<Unit> = UNITS.iter().filter(|e| e.symbol == symbol).map(|e| make(e, (1.0, 1.0))).collect();
    if !exact.is_empty() {
        return exact;
    }
    let mut chars = symbol.chars();
    let Some(prefix) = chars.next() else { return Vec::new() };
    let rest = chars.as_str();
    let Some((_, size)) = PREFIXES.iter().find(|(c, _)| *c == prefix) else { return Vec::new() };
    UNITS.iter().filter(|e| e.symbol == rest && e.prefixes.contains(prefix)).map(|e| make(e, *size)).collect()
}

/// A unit close to the text that fits the dimension, for the hint.
pub(super) fn near_unit(text: &str, expected: Dimension) -> Option<String> {
    let fits = |t: &str| read_unit(t).is_ok_and(|us| us.iter().any(|u| u.exponents == expected.exponents()));
    let lower = text.to_lowercase();
    if let Some((_, symbol)) = WORDS.iter().find(|(w, s)| *w == lower && fits(s)) {
        return Some((*symbol).to_owned());
    }
    // `m2` for `m^2`.
    let mut raised = String::new();
    let mut previous = ' ';
    for c in text.chars() {
        if c.is_ascii_digit() && previous.is_alphabetic() {
            raised.push('^');
        }
        raised.push(c);
        previous = c;
    }
    if fits(&raised) {
        return Some(raised);
    }
    // Upper and lower case mixed up, among the offered units.
    expected.offers().split(", ").find(|o| o.to_lowercase() == lower && fits(o)).map(str::to_owned)
}
