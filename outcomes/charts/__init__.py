"""Results in; a plotly figure, its data table and its sentence out. One figure family a file."""
