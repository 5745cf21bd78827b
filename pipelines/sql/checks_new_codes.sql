WITH said AS (
    UNPIVOT (SELECT opened_on, site, job_code, status FROM records.work_orders)
    ON site, job_code, status INTO NAME code VALUE word
), newest AS (
    SELECT max(opened_on) - $recent_days::INTEGER AS recent_after FROM records.work_orders
), firsts AS (
    SELECT *, min(opened_on) OVER (PARTITION BY code) AS code_first_on,
        min(opened_on) OVER (PARTITION BY code, word) AS word_first_on
    FROM said
)
SELECT
    code || coalesce(' (' || array_to_string(min(DISTINCT word, 5) FILTER (word_first_on > recent_after), ', ') || ')', '')
        AS item,
    count(*) AS rows_checked,
    count(*) FILTER (word_first_on > recent_after) AS rows_failed
FROM firsts, newest
WHERE opened_on > recent_after AND code_first_on <= recent_after - $recent_days::INTEGER
GROUP BY code
