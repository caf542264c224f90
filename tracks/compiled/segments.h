/* How far places are from a straight line between two others. */

#ifndef FIELDCOMB_SEGMENTS_H
#define FIELDCOMB_SEGMENTS_H

#include <math.h>

typedef struct {
    double x, y, to_x, to_y, dx, dy, square, length;
} Segment;

static inline Segment segment_of(const double *from, const double *to) {
    const double dx = to[0] - from[0], dy = to[1] - from[1], square = dx * dx + dy * dy;
    return (Segment){from[0], from[1], to[0], to[1], dx, dy, square, sqrt(square)};
}

/* Each sum, product and quotient is one of GEOS (Distance::pointToSegment), and so is the result to the last bit. */
static inline double distance_from(Segment s, const double *place) {
    const double off_x = place[0] - s.x, off_y = place[1] - s.y, along = off_x * s.dx + off_y * s.dy;
    if (!(along > 0)) return sqrt(off_x * off_x + off_y * off_y); /* so it is where both ends are one place */
    if (along >= s.square) {
        const double end_x = place[0] - s.to_x, end_y = place[1] - s.to_y;
        return sqrt(end_x * end_x + end_y * end_y);
    }
    return fabs((off_x * s.dy - off_y * s.dx) / s.square) * s.length;
}

#endif
