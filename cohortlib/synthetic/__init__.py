"""A study with known truth from one seed: patients, answers, films and readers, all invented."""
