"""Every select of assessments, and the computing that needs no writing."""
