"""Tables, figures, prose and pages: the only place that draws."""
