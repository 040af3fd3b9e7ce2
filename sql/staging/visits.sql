-- Visits known at as-of, with their reason and pressure reading resolved.
-- grain: one row a visit
-- units: pressures kPa, flow L/min, meter m3, hardness mg/L, turbidity NTU; visit_order counts the site's visits
-- reads: records.visits
WITH known AS (
    SELECT * FROM records.visits WHERE visit_date <= $as_of
),
resolved AS (
    SELECT
        *,
        coalesce(
            visit_reason,
            CASE WHEN callout_cause IS NOT NULL OR reported_on IS NOT NULL THEN 'callout' ELSE 'routine' END
        ) AS reason
    FROM known
)
SELECT
    visit_id,
    site_id,
    visit_date,
    reason AS visit_reason,
    callout_cause,
    reported_on,
    inlet_pressure_kpa,
    outlet_pressure_kpa,
    coalesce(pressure_read, CASE WHEN reason = 'commission' THEN 'after_work' ELSE 'before_work' END) AS pressure_read,
    flow_lpm,
    meter_m3,
    hardness_mg_l,
    turbidity_ntu,
    uvt_percent,
    lamp_days_left,
    uv_intensity_percent,
    technician,
    notes,
    source_ref,
    row_number() OVER (PARTITION BY site_id ORDER BY visit_date, visit_id) AS visit_order,
    file,
    line
FROM resolved
ORDER BY site_id, visit_order
