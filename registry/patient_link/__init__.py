"""The patient's link: made, opened by token and year of birth, answered screen by screen, finished."""
