"""One file per doubt about data: what cannot be what its channel says."""
