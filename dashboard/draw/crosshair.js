// Lets a reader point at a chart and read its values. The pictures are complete without it.
"use strict";
