//! Which short measurement tells two inputs apart.

/// Measurements by what they settle, cheapest first: minutes on a table before hours on a stand.
const TESTS: [(&[&str], &str); 9] = [
    (&["mass", "scale"], "a weighing on three points"),
    (&["site"], "a reading of thermometer and barometer at the field"),
    (&["battery"], "a discharge with voltage and current logged"),
    (
        &["esc.dead_time", "esc.update", "esc.protocol", "motor.inertia", "rotor.inertia"],
        "a step record of one drive: command and speed at 1 kHz, or its sound",
    ),
    (&["motor", "esc.resistance"], "a static sweep of one drive with voltage, current and speed"),
    (&["rotor.ct", "rotor.cp", "rotor"], "a static sweep of one drive with thrust, torque and speed"),
    (&["imu"], "a hover record of the raw gyro"),
    (&["loop", "filter"], "a record of raw gyro and motor command at the loop's rate"),
    (&["aircraft", "station"], "a ruler between the hubs"),
];

/// Place of an input's measurement in order of cost.
fn place(source: &str) -> usize {
    // The shape of masses sets the inertia: scales do not show it.
    if source.starts_with("mass.")
        && (source.contains(".at") || source.contains("box") || source.contains("rod"))
    {
        return TESTS.len();
    }
    TESTS.iter().position(|(keys, _)| keys.iter().any(|k| source.starts_with(k))).unwrap_or(TESTS.len() + 1)
}

/// The cheapest measurement that settles one of several inputs and so helps to tell the others.
pub fn cheapest_test(inputs: &[&str]) -> &'static str {
    let first = inputs.iter().map(|i| place(i)).min().unwrap_or(usize::MAX);
    match TESTS.get(first) {
        Some((_, test)) => test,
        None if first == TESTS.len() => "a swing test on two wires: the inertia by itself",
        None => "a measurement of either by itself",
    }
}
