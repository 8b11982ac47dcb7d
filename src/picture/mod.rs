//! Picture: what a tiny panel should show. Geometry, colour, scaling, dither,
//! the panel's look, frame pace, quality measures.
