//! Steps of an exponential and of a second-order lag against scipy's fits of the same rows.

use signal::drive::response::Quantity;
use signal::drive::step::{Known, Order, Record, Steps, fit};

use crate::series::{check, table};

fn column(name: &str) -> Vec<f64> {
    table(include_str!("../../../../reference/step_fits.csv"))
        .iter()
        .map(|r| r[name].parse().unwrap())
        .collect()
}

fn fitted(name: &str) -> Steps {
    let (time, command, value) = (column("time"), column("command"), column(name));
    let record = Record {
        command_time: &time,
        command: &command,
        command_is_event: false,
        time: &time,
        value: &value,
        quantity: Quantity::Speed,
        bus: None,
    };
    // No drag: then the response is the plain exponential that scipy fits.
    fit(&record, &Known { drag_share: (1e-6, 0.0), ..Known::default() }).unwrap()
}

/// scipy fits all rows with one dead time and one lag; ours fits every step on its own and brings them together. On the
/// same noise both must agree within a standard error or so of scipy's: the tolerance is one and a half of them.
#[test]
fn val_steps_against_scipy() {
    let want = table(include_str!("../../../../reference/step_fits_expected.csv"));
    let of = |fit: &str, quantity: &str| -> (f64, f64) {
        let r = want.iter().find(|r| r["fit"] == fit && r["quantity"] == quantity).unwrap();
        (r["value"].parse().unwrap(), r["error"].parse().unwrap())
    };
    let source = "scipy.optimize.curve_fit 1.17.1 on the same rows";
    for (name, order) in [("first", Order::First), ("second", Order::Second)] {
        let s = fitted(name);
        assert_eq!(s.order, order, "{name}: {:?}", s.criterion);
        let mean = |k: usize| s.lag[k].unwrap().value;
        let mut pairs = vec![("dead", s.dead_time.unwrap().value), ("lag", 0.5 * (mean(0) + mean(1)))];
        if order == Order::Second {
            pairs.push(("second", s.second.unwrap().value));
        }
        println!("{name}: {pairs:?} {:?}", s.lag);
        for (quantity, computed) in pairs {
            let (expected, error) = of(name, quantity);
            let what = format!("{name}-order steps: {quantity}, s");
            check("drive steps", &what, source, expected, computed, 1.5 * error);
        }
    }
}
