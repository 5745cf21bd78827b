-- How many repairs have engine hours to their end, and within how many hours half of those are known.
SELECT count(*) AS episodes, count(hours) AS known, median(hours_error) AS error_hours
FROM episodes
