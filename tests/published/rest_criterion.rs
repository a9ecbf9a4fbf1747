//! The rest criterion against scipy: `rest_criterion.py` wrote `rest_criterion.csv`.

use stopwright::statistics::rest::RestCriterion;

#[test]
fn the_rest_criterion_accepts_a_bad_press_at_most_one_time_in_twenty() {
    let mut reader = csv::Reader::from_reader(include_str!("rest_criterion.csv").as_bytes());
    let rows: Vec<[f64; 4]> = reader
        .deserialize()
        .map(|row| row.expect("four numbers"))
        .collect();
    assert_eq!(rows.len(), 5);
    for [stops, allowed_rms_deg, worst_acceptance, off_target] in rows {
        let rests = vec![0.0; stops as usize];
        let judged = RestCriterion::default().judge(&rests).expect("a judgement");
        assert!(
            (judged.rms_allowed_deg - allowed_rms_deg).abs() < 1e-6,
            "{judged:?}"
        );
        // 99 % of stops within 5 degrees is the border; beyond it acceptance only falls.
        assert!(
            worst_acceptance <= 0.05 + 1e-8,
            "{stops} stops: {worst_acceptance}"
        );
        assert!(off_target < worst_acceptance);
    }
}
