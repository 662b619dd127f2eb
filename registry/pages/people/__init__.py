"""The people of a unit, for its administrator: roles, invitations, closed accounts, ways back in."""
