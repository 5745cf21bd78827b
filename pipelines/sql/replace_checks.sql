DELETE FROM audit.checks WHERE table_name IN (SELECT table_name FROM new_checks);
INSERT INTO audit.checks BY NAME FROM new_checks;
