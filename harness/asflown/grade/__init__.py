"""As-flown against as-planned: matching, measures, rules, verdict."""
