"""Results in, documents out: text, HTML, PDF, charts and JSON. Nothing is computed here."""
