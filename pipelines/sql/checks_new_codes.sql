WITH said AS (
    UNPIVOT (SELECT opened_on, site, job_code, status FROM records.work_orders)
    ON site, job_code, status INTO NAME code VALUE word
), newest AS (
    SELECT max(opened_on) - $recent_days::INTEGER AS recent_after FROM records.work_orders
), words AS (
    SELECT
        code, word, recent_after,
        min(opened_on) > recent_after AS is_new,
        min(min(opened_on)) OVER (PARTITION BY code) AS code_first_on,
        count(*) FILTER (opened_on > recent_after) AS recent_orders
    FROM said, newest
    GROUP BY code, word, recent_after
)
SELECT
    code || coalesce(' (' || array_to_string(min(word, 5) FILTER (is_new), ', ') || ')', '') AS item,
    sum(recent_orders)::BIGINT AS rows_checked,
    coalesce(sum(recent_orders) FILTER (is_new), 0)::BIGINT AS rows_failed
FROM words
WHERE recent_orders > 0 AND code_first_on <= recent_after - $recent_days::INTEGER
GROUP BY code
