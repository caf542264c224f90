/* How likely spacings are, for many settings of walker and receiver: for _densities in estimate/regularity.py, which
   factors whole covariances with LAPACK elsewhere. Sums are made in another order there.

   A spacing is what some processes change by between two visits, in one direction. A process whose correlation falls
   as exp(-apart / scale) (Ornstein's and Uhlenbeck's) has no memory: what it will be hangs on what it is at a visit
   and on nothing before. So the walk is followed from visit to visit by Kalman's filter (1960), as Hartikainen and
   Sarkka (2010) do for such processes, and what is carried is what is known of the processes and of spacings that
   have begun and not ended: of the 79 of a block mostly 7, so that it stays near the processor. The likelihood is
   the product of how likely each spacing was by those that ended before it, which is no approximation. Measured: 9
   ms a walk of three hours, by factors of covariances in C 32. LANES settings go side by side. */

#include "kernels.h"
#include <stdlib.h>

/* Rows of what is known: each process to the east and to the north, what all spacings have in common, what was seen,
   and one for each open spacing. */
enum { LANES = 8, PROCESSES = 4, PARTS = 2 * PROCESSES, COMMON = PARTS, SEEN, FIXED, MOST_SPACINGS = 4096 };

typedef double Side[LANES];

/* Part of whatever calls it, so that it is compiled for the same registers. */
#if defined(__GNUC__)
#define INLINED static inline __attribute__((always_inline))
#else
#define INLINED static inline
#endif

#define EACH_LANE SIDE_BY_SIDE for (int l = 0; l < LANES; l++)

/* What is asked for. */
typedef struct {
    const double *value, *east, *north, *fades, *variance;
    const int64_t *visits;
    double *found, common, noise;
    Py_ssize_t count, many;
} Task;

/* One visit of the walk, the same in all settings. Processes are carried as what they are over a scale, which shrinks
   as they fade, so that nothing need be done with them: weight is the scale times the direction of the spacing. anew:
   of their variance, what is new since the visit before. scale: 1, or the scale where it is taken up, and is 1 from
   then on. */
typedef struct {
    Py_ssize_t spacing;
    int begins;
    double scale[PROCESSES], anew[PROCESSES], weight[PARTS];
} Visit;

/* What is known at a visit: covariances of rows (SEEN: how far what is expected lies from 0, and last the sum of
   squares below 0), and of each row with the processes together in the direction of a spacing. */
typedef struct {
    Side *known, *with, variance[PROCESSES];
    Py_ssize_t rows, *open; /* the spacing of each row */
} Filter;

/* Where a row begins: those of processes are whole, the others end at the diagonal. */
INLINED Py_ssize_t row_of(Py_ssize_t row) {
    return row < PARTS ? row * PARTS : row * (row + 1) / 2 + PARTS * (PARTS - 1) / 2;
}

INLINED void copy(Side *restrict to, const Side *restrict from, Py_ssize_t count) {
    for (Py_ssize_t e = 0; e < count; e++) EACH_LANE to[e][l] = from[e][l];
}

/* Begin with what is known before the first visit, for LANES settings from this one on; the last stands in for more. */
INLINED void begin(Filter *f, const Task *t, Py_ssize_t first) {
    Side *restrict known = f->known;
    const double common = t->common;
    for (Py_ssize_t e = 0; e < row_of(FIXED); e++) EACH_LANE known[e][l] = 0;
    EACH_LANE known[row_of(COMMON) + COMMON][l] = common;
    for (int p = 0; p < PROCESSES; p++) {
        const double *variance = t->variance + p * t->many;
        for (int l = 0; l < LANES; l++) f->variance[p][l] = variance[first + l < t->many ? first + l : t->many - 1];
        copy(known + row_of(2 * p) + 2 * p, &f->variance[p], 1);
        copy(known + row_of(2 * p + 1) + 2 * p + 1, &f->variance[p], 1);
    }
    f->rows = FIXED;
}

/* Go on to a visit. */
INLINED void go_on(Filter *f, const Visit *v) {
    Side *restrict known = f->known;
    for (int a = 0; a < PARTS; a++) {
        const double scale = v->scale[a / 2], anew = v->anew[a / 2];
        Side *restrict row = known + row_of(a);
        if (scale != 1) {
            for (int c = 0; c < PARTS; c++) EACH_LANE row[c][l] *= scale;
            for (Py_ssize_t r = 0; r < f->rows; r++) EACH_LANE known[row_of(r) + a][l] *= scale;
        }
        EACH_LANE row[a][l] += f->variance[a / 2][l] * anew;
    }
}

/* Covariance of each row with the processes together in the direction of a spacing; all: their own variance. */
INLINED void look(const Filter *f, const Visit *v, Side *restrict all) {
    const double *w = v->weight;
    const double e0 = w[0], n0 = w[1], e1 = w[2], n1 = w[3], e2 = w[4], n2 = w[5], e3 = w[6], n3 = w[7];
    const Side *restrict known = f->known;
    Side *restrict with = f->with, sum;
    for (Py_ssize_t r = 0; r < f->rows; r++) {
        const Side *restrict row = known + row_of(r);
        EACH_LANE {
            const double east = row[0][l] * e0 + row[2][l] * e1 + row[4][l] * e2 + row[6][l] * e3;
            const double north = row[1][l] * n0 + row[3][l] * n1 + row[5][l] * n2 + row[7][l] * n3;
            with[r][l] = east + north;
        }
    }
    EACH_LANE sum[l] = 0;
    for (int a = 0; a < PARTS; a++) {
        const double by = w[a];
        EACH_LANE sum[l] += by * with[a][l];
    }
    copy(all, &sum, 1);
}

/* Open a spacing: what is common, less what the processes are now. */
INLINED void open_one(Filter *f, Py_ssize_t spacing, const Side *restrict all) {
    Side *restrict row = f->known + row_of(f->rows);
    const Side *restrict common = f->known + row_of(COMMON), *restrict with = f->with;
    for (int c = 0; c <= COMMON; c++) EACH_LANE row[c][l] = common[c][l] - with[c][l];
    for (Py_ssize_t r = SEEN; r < f->rows; r++) {
        const Side *restrict other = f->known + row_of(r) + COMMON;
        EACH_LANE row[r][l] = other[0][l] - with[r][l];
    }
    EACH_LANE row[f->rows][l] = common[COMMON][l] - 2 * with[COMMON][l] + all[0][l];
    f->open[f->rows++] = spacing;
}

/* Put the last row in the place of one that is done with. */
INLINED void close_up(Filter *f, Py_ssize_t row) {
    Side *mine = f->known + row_of(row), *last = f->known + row_of(--f->rows);
    if (row == f->rows) return;
    copy(mine, last, row);
    for (Py_ssize_t r = row + 1; r < f->rows; r++) copy(f->known + row_of(r) + row, last + r, 1);
    copy(mine + row, last + f->rows, 1);
    copy(f->with + row, f->with + f->rows, 1);
    f->open[row] = f->open[f->rows];
}

/* End a spacing, which is seen now: what is known of all rows changes by it. told : its variance as expected. */
INLINED void end_one(Filter *f, Py_ssize_t row, double value, double noise, Side *restrict told,
                     const Side *restrict all) {
    Side *restrict with = f->with, over;
    const Side *restrict mine = f->known + row_of(row);
    EACH_LANE {
        told[0][l] = mine[row][l] + 2 * with[row][l] + all[0][l] + noise;
        over[l] = 1 / told[0][l];
    }
    for (Py_ssize_t c = 0; c <= row; c++) EACH_LANE with[c][l] += mine[c][l];
    for (Py_ssize_t r = row + 1; r < f->rows; r++) {
        const Side *restrict other = f->known + row_of(r) + row;
        EACH_LANE with[r][l] += other[0][l];
    }
    EACH_LANE with[SEEN][l] -= value;
    close_up(f, row);
    for (Py_ssize_t r = 0; r < f->rows; r++) {
        Side *restrict changed = f->known + row_of(r), by;
        const Py_ssize_t width = r < PARTS ? PARTS : r + 1;
        EACH_LANE by[l] = with[r][l] * over[l];
        for (Py_ssize_t c = 0; c < width; c++) EACH_LANE changed[c][l] -= by[l] * with[c][l];
    }
}

/* Follow the walk for LANES of the settings, from this one on; returns whether all variances are above 0. */
WIDE static int follow(const Task *t, const Visit *visits, Filter *f, Py_ssize_t first) {
    const Py_ssize_t some = t->many - first < LANES ? t->many - first : LANES;
    double *found = t->found + first;
    int good = 1;
    begin(f, t, first);
    for (const Visit *v = visits; good && v < visits + 2 * t->count; v++) {
        Side all, told;
        go_on(f, v);
        look(f, v, &all);
        if (v->begins) {
            open_one(f, v->spacing, &all);
            continue;
        }
        Py_ssize_t row = FIXED;
        while (f->open[row] != v->spacing) row++;
        end_one(f, row, t->value[v->spacing], t->noise, &told, &all);
        for (int l = 0; l < LANES; l++) good &= told[l] > 0;
        for (Py_ssize_t l = 0; l < some; l++) found[l] = told[l];
        found += t->many;
    }
    for (Py_ssize_t l = 0; l < some; l++) found[l] = -f->known[row_of(SEEN) + SEEN][l];
    return good;
}

static const double LEAST_SCALE = 1e-50; /* it is taken up before squares of it are nothing to a double */

/* Work out once what all settings need at each visit. */
static void plan(const Task *t, Visit *visits) {
    double scale[PROCESSES];
    for (int p = 0; p < PROCESSES; p++) scale[p] = 1;
    for (Py_ssize_t k = 0; k < 2 * t->count; k++) {
        Visit *v = visits + k;
        v->begins = t->visits[k] < t->count;
        v->spacing = t->visits[k] - (v->begins ? 0 : t->count);
        for (int p = 0; p < PROCESSES; p++) {
            const double by = t->fades[k * PROCESSES + p];
            scale[p] *= by;
            v->scale[p] = 1;
            if (scale[p] < LEAST_SCALE) {
                v->scale[p] = scale[p];
                scale[p] = 1;
            }
            v->anew[p] = (1 - by * by) / (scale[p] * scale[p]);
            v->weight[2 * p] = t->east[v->spacing] * scale[p];
            v->weight[2 * p + 1] = t->north[v->spacing] * scale[p];
        }
    }
}

/* How many spacings are open at most; -1 with an exception set where one does not begin once and then end once. */
static Py_ssize_t most_open(const Task *t) {
    char *state = calloc((size_t)t->count, 1);
    Py_ssize_t open = 0, most = 0, v = 0;
    if (state == NULL) {
        PyErr_NoMemory();
        return -1;
    }
    for (; v < 2 * t->count; v++) {
        const int64_t visit = t->visits[v];
        if (visit < 0 || visit >= 2 * t->count || state[visit % t->count]++ != visit / t->count) break;
        open += visit < t->count ? 1 : -1;
        most = open > most ? open : most;
    }
    free(state);
    if (v == 2 * t->count) return most;
    PyErr_SetString(PyExc_ValueError, "a spacing does not begin once and then end once");
    return -1;
}

/* 1 or 0 as below, or -1 with an exception set. */
static int follow_all(const Task *t) {
    const Py_ssize_t most = most_open(t);
    if (most < 0) return -1;
    const size_t rows = (size_t)(FIXED + most), sides = (size_t)row_of(FIXED + most) + rows;
    Filter f;
    int good = 1;
    Visit *visits = malloc((size_t)(2 * t->count) * sizeof *visits);
    char *room = malloc((sides + 1) * sizeof(Side) + rows * sizeof *f.open);
    if (room == NULL || visits == NULL) {
        free(room);
        free(visits);
        PyErr_NoMemory();
        return -1;
    }
    f.known = (Side *)(room + sizeof(Side) - (uintptr_t)room % sizeof(Side)); /* each in one line of the cache */
    f.with = f.known + row_of(FIXED + most);
    f.open = (Py_ssize_t *)(f.known + sides);
    Py_BEGIN_ALLOW_THREADS
    plan(t, visits);
    for (Py_ssize_t first = 0; good && first < t->many; first += LANES) good = follow(t, visits, &f, first);
    Py_END_ALLOW_THREADS
    free(room);
    free(visits);
    return good;
}

/* innovations(value, east, north, visits, fades, variance, found, common, noise) -> bool: how far each spacing can be
   foretold from those that ended before it; false where that cannot be for numbers like these.

   value, east, north (n,): spacings and their directions. visits (2n,): numbers of spacings where they begin, and
   plus n where they end, along the walk. fades (2n, 4): factor by which each process fades until a visit. variance
   (4, many): of each process in each setting. common, noise: variances of what all spacings share, and of each alone.
   found (n + 1, many): variances as foretold, in the order in which spacings end, and the sum of squares over them. */
static PyObject *innovations(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    enum { VALUE, EAST, NORTH, VISITS, FADES, VARIANCE, FOUND, ARRAYS };
    static const char *const kinds[] = {"f8r", "f8r", "f8r", "i8r", "f8r", "f8r", "f8w"};
    Array a[ARRAYS];
    if (count != ARRAYS + 2) return PyErr_Format(PyExc_TypeError, "innovations takes %d arguments", ARRAYS + 2);
    const double common = PyFloat_AsDouble(args[ARRAYS]), noise = PyFloat_AsDouble(args[ARRAYS + 1]);
    if (PyErr_Occurred() || borrow_all(args, ARRAYS, kinds, a) < 0) return NULL;
    const Py_ssize_t n = a[VALUE].size, many = a[VARIANCE].size / PROCESSES;
    const Task t = {a[VALUE].data, a[EAST].data, a[NORTH].data, a[FADES].data, a[VARIANCE].data, a[VISITS].data,
                    a[FOUND].data, common, noise, n, many};
    int good = -1;
    if (n < 1 || n >= MOST_SPACINGS)
        PyErr_SetString(PyExc_ValueError, "there are too few spacings, or too many");
    else if (check_size(&a[EAST], n, "east") == 0 && check_size(&a[NORTH], n, "north") == 0 &&
             check_size(&a[VISITS], 2 * n, "visits") == 0 && check_size(&a[FADES], 2 * n * PROCESSES, "fades") == 0 &&
             check_size(&a[VARIANCE], many * PROCESSES, "variance") == 0 &&
             check_size(&a[FOUND], (n + 1) * many, "found") == 0)
        good = follow_all(&t);
    give_back(a, ARRAYS);
    return good < 0 ? NULL : PyBool_FromLong(good);
}

PyMethodDef likelihood_methods[] = {METHOD(innovations), {NULL, NULL, 0, NULL}};
