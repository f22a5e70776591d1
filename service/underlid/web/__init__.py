"""FastAPI: the API, the live stream and the built dashboards."""
