WITH watched AS (
    SELECT
        comeback,
        repair_method,
        engine_family,
        site,
        occasion,
        if(has_new_bolts, 'yes', 'no') AS has_new_bolts,
        if(is_ventilation_serviced, 'yes', 'no') AS is_ventilation_serviced
    FROM episodes
    WHERE
        repaired_on <= $as_of - to_days($comeback_days)
        AND (comeback OR days >= $comeback_days OR km >= $comeback_km)
),
by_attribute AS (
    UNPIVOT watched
    ON repair_method, engine_family, site, occasion, has_new_bolts, is_ventilation_serviced
    INTO NAME attribute VALUE attribute_value
)
SELECT
    attribute,
    attribute_value,
    count(*) AS repairs,
    count(*) FILTER (comeback) AS comebacks
FROM by_attribute
GROUP BY attribute, attribute_value
ORDER BY attribute, attribute_value;
