"""What is written for people and for scripts: traces, summary, table, figures."""
