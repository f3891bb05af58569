"""Questionnaires, blood, gait, events, dose: what is known of patients, as tidy rows."""
