/* Segments laid on a grid, and the columns of each row that lie within a radius of one. The geometry is that of
   _Capsules in raster/passes.py, and every rounding is the same. */

#ifndef FIELDCOMB_CAPSULES_H
#define FIELDCOMB_CAPSULES_H

#include "kernels.h"
#include <math.h>

/* The arrays of _Capsules in the order of its fields. */
enum { U, V, DU, DV, SLOPE, SHIFT, SQUARE, LOW, COUNT, CAPSULE_FIELDS };
#define CAPSULE_KINDS "f8r", "f8r", "f8r", "f8r", "f8r", "f8r", "f8r", "i8r", "i8r"

typedef struct {
    const double *f[LOW];
    const int64_t *low, *count;
    Py_ssize_t size;
    int64_t rows, cols;
} Capsules;

/* 0, or -1 with an exception set where they leave the rows of the grid. */
int make_capsules(const Array *arrays, int64_t rows, int64_t cols, Capsules *made);

/* One of them, with the numbers at hand that each row asks for. */
typedef struct {
    double u, v, du, dv, slope, shift, square, most, none;
} Capsule;

static inline Capsule capsule_of(const Capsules *c, Py_ssize_t k) {
    return (Capsule){.u = c->f[U][k],
                     .v = c->f[V][k],
                     .du = c->f[DU][k],
                     .dv = c->f[DV][k],
                     .slope = c->f[SLOPE][k],
                     .shift = c->f[SHIFT][k],
                     .square = c->f[SQUARE][k],
                     .most = (double)(c->cols - 1),
                     .none = (double)c->cols};
}

static inline double within(double t) {
    t = t > 0.0 ? t : 0.0;
    return t < 1.0 ? t : 1.0;
}

static inline double reach(double t, double v, double dv, double square) {
    double height = t * dv;
    height += v;
    height *= height;
    const double rest = square - height;
    return sqrt(rest > 0.0 ? rest : 0.0);
}

/* First and last column of a row, in whole numbers; where none is met the last is below the first. The row is one of
   32 bits, of which compilers turn several at once into other numbers. */
static inline void columns_of(Capsule c, int32_t row, int32_t *first, int32_t *last) {
    const double v = c.v - (double)row;
    const double middle = -v * c.slope;
    const double a = within(middle - c.shift), b = within(middle + c.shift);
    const double left = ceil((a * c.du + c.u) - reach(a, v, c.dv, c.square));
    const double right = floor((b * c.du + c.u) + reach(b, v, c.dv, c.square));
    /* beyond the grid on either side is held to one column outside, so that it fits a whole number */
    *first = (int32_t)(left > 0.0 ? (left < c.none ? left : c.none) : 0.0);
    *last = (int32_t)(right < c.most ? (right > -1.0 ? right : -1.0) : c.most);
}

typedef struct {
    int32_t group, row, first, last;
} Span;

/* Spans that grow; 0, or -1 where there is no room. */
typedef struct {
    Span *spans;
    Py_ssize_t size, room;
} Spans;
int add_one(Spans *to, Span one);

/* The arrays of spans that are given with a weight for each group, in the order of arguments. */
enum { SPAN_ROW, SPAN_FIRST, SPAN_LAST, SPAN_GROUP, SPAN_WEIGHT, SPAN_FIELDS };
#define SPAN_KINDS "i8r", "i8r", "i8r", "i8r", "i4r"

/* 0, or -1 with an exception set where they leave the grid or the order of rows, or have no weight. */
int check_spans(const Array *fields, int64_t rows, int64_t cols);

/* Sort by row, keeping the order within each; NULL where there is no room. */
Span *by_row(const Span *spans, Py_ssize_t size, int64_t rows);

/* Unite what overlaps or touches among neighbours of one group and row; return how many are left. */
Py_ssize_t unite(Span *spans, Py_ssize_t size);

/* Spans of some segments, disjoint for each group and row, in the order of rows and then as given; NULL where there is
   no room. */
Span *make_spans(const Capsules *c, const int64_t *segment, const int64_t *group, Py_ssize_t size, Py_ssize_t *found);

/* 0, or -1 with an exception set where any number is below 0, or not below the limit. */
int in_range(const Array *numbers, int64_t below);

#endif
