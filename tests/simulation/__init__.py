"""An invented bench: motors and controllers with richer physics than the fits assume, read by imperfect instruments.

Nothing here imports the physics under test; the demo logs and the coverage study come from it.
"""
