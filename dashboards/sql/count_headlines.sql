SELECT
    (SELECT count(*) FROM vehicles) AS vehicles,
    (SELECT count(*) FROM episodes) AS repairs,
    (SELECT count(*) FROM episodes WHERE status = 're-leak') AS releaks,
    (SELECT count(*) FROM episodes WHERE comeback) AS comebacks,
    (SELECT count(*) FROM episodes WHERE comeback AND ended_on > $as_of - to_days($comeback_days)) AS recent_comebacks,
    (SELECT count(*) FROM flags) AS flags,
    (SELECT count(*) FROM flags WHERE list_contains(rules, 'smell_or_drops')) AS urgent_flags,
    (SELECT coalesce(sum(hours), 0) FROM plan WHERE placed) AS planned_hours,
    (SELECT count(*) FROM plan WHERE NOT placed) AS waiting,
    (SELECT coalesce(sum(rows_read), 0) FROM loads) AS rows_read,
    (SELECT coalesce(sum(refused), 0) FROM loads) AS rows_refused;
