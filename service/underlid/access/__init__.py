"""Who may do what: roles, passwords, sessions, tokens, invitations. Time is an argument."""
