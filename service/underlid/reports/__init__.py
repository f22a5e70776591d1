"""Reports: what a day asks for, and how a week went. Computed once as an object; everything else shows it."""
