DELETE FROM landing.outcomes AS outcomes
USING judged
WHERE outcomes.load_id = judged.load_id AND outcomes.row_number = judged.row_number;
INSERT INTO landing.outcomes BY NAME FROM judged;
