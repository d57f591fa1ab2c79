"""One file a rule: settings, state, judgement, words."""
