"""What the staged file and the store together say of a vehicle's history: SQL sources for `checks`."""

from __future__ import annotations

# per vehicle and day: the greatest odometer before it (in the file and the store), the least after it (in the store)
SPANS = """typed t JOIN (
    SELECT vehicle, day, max(high) OVER earlier AS before, min(low_stored) OVER later AS after
    FROM (
        SELECT vehicle, day, max(km) AS high, min(km) FILTER (stored) AS low_stored
        FROM (
            SELECT vehicle, day, km, false AS stored FROM typed
            WHERE day IS NOT NULL AND km BETWEEN 0 AND 1e8 AND number >= 0
            UNION ALL
            SELECT vehicle, date, km, true FROM visits SEMI JOIN typed USING (vehicle)
        ) GROUP BY vehicle, day
    )
    WINDOW earlier AS (PARTITION BY vehicle ORDER BY day ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING),
           later AS (PARTITION BY vehicle ORDER BY day ROWS BETWEEN 1 FOLLOWING AND UNBOUNDED FOLLOWING)
) s ON s.vehicle = t.vehicle AND s.day = t.day AND t.number >= 0"""

# the first renewal of each unit, in the file and the store
RENEWALS = """typed t JOIN (
    SELECT vehicle, component, position, min(day) AS day FROM (
        SELECT vehicle, component, position, day, action FROM typed
        UNION ALL SELECT vehicle, component, position, date, action FROM lines SEMI JOIN typed USING (vehicle)
    ) WHERE action = 'renewed' GROUP BY vehicle, component, position
) r ON r.vehicle = t.vehicle AND r.component = t.component
    AND (r.position IS NOT DISTINCT FROM t.position OR r.position = 'all')"""

# each failure of a mode that only some revisions have, with the revision that the records say was fitted then
FITTED = """(
    WITH places AS (
        SELECT scope AS component, name AS place FROM known WHERE field = 'position' AND name <> 'all'
    ), failed AS (
        SELECT t.line, t.vehicle, t.component, p.place, t.mode, m.revisions, t.built, t.history,
            epoch(t.day) / 86400 * 1e8 + t.km AS moment
        FROM typed t JOIN modes_limited m ON m.mode = t.mode
        JOIN modes_known n ON n.variant = t.variant AND n.mode = t.mode AND n.applies
        JOIN places p ON p.component = t.component AND (coalesce(t.position, '') = p.place OR t.position = 'all')
        WHERE t.finding = 'failed' AND t.day IS NOT NULL AND t.km BETWEEN 0 AND 1e8
    ), renewed AS (
        SELECT r.vehicle, r.component, p.place, epoch(r.day) / 86400 * 1e8 + r.km AS moment, max(r.day) AS day,
            count(DISTINCT r.revision) AS named, any_value(r.revision) AS revision
        FROM (
            SELECT vehicle, component, position, day, km, revision, action FROM typed
            UNION ALL
            SELECT vehicle, component, position, date, km, revision, action FROM lines SEMI JOIN failed USING (vehicle)
        ) r JOIN places p ON p.component = r.component AND (coalesce(r.position, '') = p.place OR r.position = 'all')
        WHERE r.action = 'renewed' AND r.day IS NOT NULL AND r.km BETWEEN 0 AND 1e8
        GROUP BY r.vehicle, r.component, p.place, moment
    ), piece AS (
        SELECT f.*, r.named, r.revision, coalesce(r.day, CASE WHEN f.history = 'complete' THEN f.built END) AS level_day
        FROM failed f ASOF LEFT JOIN renewed r
        ON r.vehicle = f.vehicle AND r.component = f.component AND r.place = f.place AND f.moment > r.moment
    )
    SELECT k.line, k.component, k.mode, k.revisions, coalesce(k.revision, l.revision) AS fitted
    FROM piece k ASOF JOIN levels l ON l.component = k.component AND k.level_day >= l.day
    WHERE coalesce(k.named, 0) <= 1
) t"""
