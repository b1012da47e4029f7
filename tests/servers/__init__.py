"""Real servers for the tests, started and stopped by them: PostgreSQL, Valkey, workers, web servers."""
