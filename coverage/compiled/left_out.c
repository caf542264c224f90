/* What sweeps left out of the cells of a plot, for all draws with their edges at one level.

   The arithmetic is that of _left_of_block in estimate/left_out.py, and every rounding is the same. */

#include "kernels.h"
#include <stdlib.h>

enum { BLOCK = 256 }; /* cells at once, so that a block of all draws stays in the processor's cache */

/* A part of a sweep, where what is still to be done begins and ends in own, and what is laid ready of a block. */
enum { OWN, SHARE, FACTOR, BEGIN, TABLE, RISE, PART_FIELDS };
static const char *const PART_KINDS[] = {"i4r", "f4r", "f4r", "i8r", "f4r", "f4r"};

typedef struct {
    Array a[PART_FIELDS];
    Py_ssize_t from, until, ready;
    float effort[BLOCK], share[BLOCK];
    int32_t place[BLOCK];
} Part;

/* A sweep, and where what is still to be done begins and ends in here. */
enum { HERE, RHO, WEIGHT, AGAIN, SWEEP_FIELDS };
static const char *const SWEEP_KINDS[] = {"i4r", "f4r", "f4r", "f4r"};

typedef struct {
    Array a[SWEEP_FIELDS];
    Part *parts;
    Py_ssize_t count, from, until;
} Sweep;

typedef struct {
    Sweep *sweeps;
    Py_ssize_t count, draws;
} Sweeps;

static void let_go(Sweeps *all) {
    for (Py_ssize_t k = 0; k < all->count; k++) {
        Sweep *one = &all->sweeps[k];
        for (Py_ssize_t p = 0; p < one->count; p++) give_back(one->parts[p].a, PART_FIELDS);
        give_back(one->a, SWEEP_FIELDS);
        free(one->parts);
    }
    free(all->sweeps);
}

static int is_row_of(PyObject *one, Py_ssize_t size, const char *what) {
    if (PyTuple_Check(one) && (size < 0 || PyTuple_GET_SIZE(one) == size)) return 1;
    PyErr_Format(PyExc_TypeError, "%s is no tuple of the right size", what);
    return 0;
}

/* 0, or -1 with ValueError set where the first or last of rising numbers is not below a limit. */
static int check_ends(const Array *rising, int64_t below) {
    const int32_t *one = rising->data;
    if (rising->size == 0 || (one[0] >= 0 && one[rising->size - 1] < below)) return 0;
    PyErr_SetString(PyExc_ValueError, "a sweep leaves the cells");
    return -1;
}

static int make_part(PyObject *given, Part *part, const Sweep *sweep, Py_ssize_t draws) {
    if (!is_row_of(given, PART_FIELDS, "a part")) return -1;
    if (borrow_all(PySequence_Fast_ITEMS(given), PART_FIELDS, PART_KINDS, part->a) < 0) return -1;
    const Array *a = part->a;
    if (check_size(&a[SHARE], a[OWN].size, "share") == 0 && check_size(&a[FACTOR], draws, "factor") == 0 &&
        check_size(&a[BEGIN], draws, "begin") == 0 && check_size(&a[RISE], a[TABLE].size, "rise") == 0 &&
        check_ends(&a[OWN], sweep->a[HERE].size) == 0) {
        if (a[TABLE].size <= INT32_MAX / 2 && sweep->a[HERE].size <= INT32_MAX) return 0;
        PyErr_SetString(PyExc_ValueError, "a table is too large");
    }
    give_back(part->a, PART_FIELDS);
    return -1;
}

static int make_sweep(PyObject *given, Sweep *sweep, Py_ssize_t draws, int64_t cells) {
    if (!is_row_of(given, SWEEP_FIELDS + 1, "a sweep")) return -1;
    PyObject *parts = PyTuple_GET_ITEM(given, SWEEP_FIELDS);
    if (!is_row_of(parts, -1, "what is said of parts")) return -1;
    if (borrow_all(PySequence_Fast_ITEMS(given), SWEEP_FIELDS, SWEEP_KINDS, sweep->a) < 0) return -1;
    const Array *a = sweep->a;
    const Py_ssize_t count = PyTuple_GET_SIZE(parts);
    sweep->parts = NULL;
    sweep->count = 0;
    if (check_size(&a[RHO], a[HERE].size, "rho") == 0 && check_size(&a[WEIGHT], a[HERE].size, "weight") == 0 &&
        (a[AGAIN].size == 0 || check_size(&a[AGAIN], draws, "again") == 0) && check_ends(&a[HERE], cells) == 0) {
        sweep->parts = malloc(((size_t)count + 1) * sizeof *sweep->parts);
        if (sweep->parts == NULL) PyErr_NoMemory();
    }
    while (sweep->parts != NULL && sweep->count < count) {
        if (make_part(PyTuple_GET_ITEM(parts, sweep->count), &sweep->parts[sweep->count], sweep, draws) < 0) break;
        sweep->count++;
    }
    if (sweep->parts != NULL && sweep->count == count) return 0;
    for (Py_ssize_t k = 0; k < sweep->count; k++) give_back(sweep->parts[k].a, PART_FIELDS);
    give_back(sweep->a, SWEEP_FIELDS);
    free(sweep->parts);
    return -1;
}

static int make_sweeps(PyObject *given, Py_ssize_t draws, int64_t cells, Sweeps *all) {
    *all = (Sweeps){NULL, 0, draws};
    if (!is_row_of(given, -1, "what is said of sweeps")) return -1;
    all->sweeps = malloc(((size_t)PyTuple_GET_SIZE(given) + 1) * sizeof *all->sweeps);
    if (all->sweeps == NULL) {
        PyErr_NoMemory();
        return -1;
    }
    for (Py_ssize_t k = 0; k < PyTuple_GET_SIZE(given); k++, all->count++)
        if (make_sweep(PyTuple_GET_ITEM(given, k), &all->sweeps[k], draws, cells) < 0) {
            let_go(all);
            return -1;
        }
    return 0;
}

/* First place of a rising array that is not below a number. */
static Py_ssize_t place_of(const Array *rising, int64_t number) {
    const int32_t *one = rising->data;
    Py_ssize_t low = 0, high = rising->size;
    while (low < high) {
        const Py_ssize_t middle = low + (high - low) / 2;
        if (one[middle] < number)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

/* Whether numbers from one place to another rise, and lie from first on, below last. */
static int rises(const Array *numbers, Py_ssize_t from, Py_ssize_t until, int64_t first, int64_t last) {
    const int32_t *one = numbers->data;
    for (Py_ssize_t k = from; k < until; k++) {
        if (one[k] < first || one[k] >= last) return 0;
        first = (int64_t)one[k] + 1;
    }
    return 1;
}

/* Whether no draw of a part looks beyond its table, at any of its places from from to until. */
static int within_table(const Sweep *sweep, const Part *part) {
    const int32_t *own = part->a[OWN].data;
    const float *rho = sweep->a[RHO].data, *factor = part->a[FACTOR].data;
    const int64_t *begin = part->a[BEGIN].data, size = part->a[TABLE].size;
    float most = 0;
    for (Py_ssize_t k = part->from; k < part->until; k++) {
        if (!(rho[own[k]] >= 0)) return 0;
        if (rho[own[k]] > most) most = rho[own[k]];
    }
    for (Py_ssize_t d = 0; d < part->a[FACTOR].size; d++) {
        const float step = factor[d] * most;
        if (!(factor[d] >= 0 && step < (float)size) || begin[d] < 0 || begin[d] >= size - (int64_t)step) return 0;
    }
    return 1;
}

/* Find what lies from first to last of a sweep; whether all of it fits. */
static int fits(Sweep *sweep, int64_t first, int64_t last) {
    sweep->from = place_of(&sweep->a[HERE], first);
    sweep->until = place_of(&sweep->a[HERE], last);
    if (sweep->from > sweep->until || !rises(&sweep->a[HERE], sweep->from, sweep->until, first, last)) return 0;
    for (Py_ssize_t k = 0; k < sweep->count; k++) {
        Part *part = &sweep->parts[k];
        part->from = place_of(&part->a[OWN], sweep->from);
        part->until = place_of(&part->a[OWN], sweep->until);
        if (part->from > part->until || !rises(&part->a[OWN], part->from, part->until, sweep->from, sweep->until))
            return 0;
        if (part->until > part->from && !within_table(sweep, part)) return 0;
    }
    return 1;
}

/* Bring together what every draw asks of a part's next places, those below until. */
static void lay_ready(const Sweep *sweep, Part *part, Py_ssize_t start, Py_ssize_t until) {
    const int32_t *own = part->a[OWN].data;
    const float *rho = sweep->a[RHO].data, *share = part->a[SHARE].data;
    Py_ssize_t k = part->from;
    for (part->ready = 0; k < part->until && own[k] < until; k++, part->ready++) {
        part->effort[part->ready] = rho[own[k]];
        part->share[part->ready] = share[k];
        part->place[part->ready] = (int32_t)(own[k] - start);
    }
    part->from = k;
}

/* Share swept of so many places, by straight lines between steps of a table. */
FAST static void shares(float *swept, const float *effort, const float *of, Py_ssize_t count, float factor,
                        const float *table, const float *rise) {
    int32_t at[BLOCK];
    for (Py_ssize_t k = 0; k < count; k++) {
        const float beyond = factor * effort[k];
        at[k] = (int32_t)beyond;
        swept[k] = beyond - (float)at[k];
    }
    for (Py_ssize_t k = 0; k < count; k++) {
        const float part = rise[at[k]] * swept[k];
        swept[k] = (part + table[at[k]]) * of[k];
    }
}

/* What is taken off beside 1 (_NOTHING in left_out.py). */
static const float NOTHING = 1e-20F;

static inline float less_nothing(float left) {
    const float below = left < 0 ? left : 0;
    left -= NOTHING;
    return left > below ? left : below;
}

/* Leave what a sweep left out of what was left. */
FAST static void leave(float *left, const float *swept, const float *weight, Py_ssize_t count) {
    for (Py_ssize_t k = 0; k < count; k++) {
        const float share = swept[k] * weight[k];
        left[k] = less_nothing(left[k] * (1 - share));
    }
}

/* The same of one that has to do with those before. */
FAST static void leave_again(float *left, const float *swept, const float *weight, Py_ssize_t count, float again) {
    const float same = again > 0 ? 1 : 0, between = again < 0 ? 1 : 0, much = again < 0 ? -again : again;
    for (Py_ssize_t k = 0; k < count; k++) {
        const float share = swept[k] * weight[k];
        const float bare = 1 - share, was = left[k], both = was * bare;
        float less = (was + bare) - 1;
        less = (less > 0 ? less : 0) * between;
        const float more = (was < bare ? was : bare) * same;
        less = ((less + more) - both) * much;
        left[k] = less_nothing(both + less);
    }
}

/* What one draw of a part swept of the places that are ready, added to what was swept of the sweep's. */
static void add_part(float *swept, const Part *part, Py_ssize_t draw) {
    const float factor = ((const float *)part->a[FACTOR].data)[draw];
    const int64_t begin = ((const int64_t *)part->a[BEGIN].data)[draw];
    const float *table = part->a[TABLE].data, *rise = part->a[RISE].data;
    float found[BLOCK];
    shares(found, part->effort, part->share, part->ready, factor, table + begin, rise + begin);
    if (part->place[part->ready - 1] - part->place[0] == part->ready - 1) {
        swept += part->place[0];
        for (Py_ssize_t k = 0; k < part->ready; k++) swept[k] += found[k];
    } else
        for (Py_ssize_t k = 0; k < part->ready; k++) swept[part->place[k]] += found[k];
}

/* Take what a sweep swept off what is left of a block of cells, (draws, BLOCK), which are those from first to until. */
static void add_sweep(Sweep *sweep, int64_t first, int64_t until, Py_ssize_t draws, float *left) {
    const int32_t *here = sweep->a[HERE].data;
    const float *again = sweep->a[AGAIN].data;
    const Py_ssize_t start = sweep->from;
    while (sweep->from < sweep->until && here[sweep->from] < until) sweep->from++;
    const Py_ssize_t count = sweep->from - start;
    if (count == 0) return;
    const float *weight = (const float *)sweep->a[WEIGHT].data + start;
    for (Py_ssize_t k = 0; k < sweep->count; k++) lay_ready(sweep, &sweep->parts[k], start, sweep->from);
    for (Py_ssize_t d = 0; d < draws; d++) {
        float swept[BLOCK] = {0}, some[BLOCK], *row = left + d * BLOCK, *at = some;
        for (Py_ssize_t k = 0; k < sweep->count; k++)
            if (sweep->parts[k].ready > 0) add_part(swept, &sweep->parts[k], d);
        if (count == until - first)
            at = row;
        else
            for (Py_ssize_t k = 0; k < count; k++) some[k] = row[here[start + k] - first];
        if (sweep->a[AGAIN].size == 0)
            leave(at, swept, weight, count);
        else
            leave_again(at, swept, weight, count, again[d]);
        if (at == some)
            for (Py_ssize_t k = 0; k < count; k++) row[here[start + k] - first] = some[k];
    }
}

/* Cells from first to last, into rows that lie stride apart. */
static void leave_out(Sweeps *all, const float *walked, float *missed, int64_t stride, int64_t first, int64_t last,
                      float *left) {
    for (int64_t from = first; from < last; from += BLOCK) {
        const int64_t until = last - from < BLOCK ? last : from + BLOCK;
        for (Py_ssize_t k = 0; k < all->draws * BLOCK; k++) left[k] = 1;
        for (Py_ssize_t k = 0; k < all->count; k++) add_sweep(&all->sweeps[k], from, until, all->draws, left);
        for (Py_ssize_t d = 0; d < all->draws; d++)
            for (int64_t c = from; c < until; c++)
                missed[d * stride + c] = 1 - (1 - left[d * BLOCK + c - from]) * walked[c];
    }
}

/* left_out(sweeps, walked, missed, level, levels, first, last): what sweeps left out of the cells from first to last,
   written to every so many rows of missed (draws, cells) from the one of this level on.

   sweeps : a tuple of (here, rho, weight, again, parts), again empty where there are none before, with parts a tuple of
   (own, share, factor, begin, table, rise). */
static PyObject *left_out(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    static const char *const kinds[] = {"f4r", "f4w"};
    int64_t numbers[4];
    Array arrays[2];
    if (count != 7) return PyErr_Format(PyExc_TypeError, "left_out takes 7 arguments");
    for (int k = 0; k < 4; k++) numbers[k] = PyLong_AsLongLong(args[3 + k]);
    if (PyErr_Occurred()) return NULL;
    if (borrow_all(args + 1, 2, kinds, arrays) < 0) return NULL;
    const int64_t level = numbers[0], levels = numbers[1], first = numbers[2], last = numbers[3];
    const Py_buffer *view = &arrays[1].view;
    const int64_t cells = arrays[0].size;
    PyObject *found = NULL;
    Sweeps all;
    if (view->ndim != 2 || view->shape[1] != cells || level < 0 || level >= levels || levels > view->shape[0] ||
        first < 0 || first > last || last > cells || cells > INT32_MAX)
        PyErr_SetString(PyExc_ValueError, "the level or the cells are not within what is missed");
    else if (make_sweeps(args[0], (view->shape[0] - level + levels - 1) / levels, cells, &all) == 0) {
        float *left = malloc(((size_t)all.draws * BLOCK + 1) * sizeof *left);
        Py_ssize_t fit = 0;
        if (left != NULL) {
            Py_BEGIN_ALLOW_THREADS
            while (fit < all.count && fits(&all.sweeps[fit], first, last)) fit++;
            if (fit == all.count)
                leave_out(&all, arrays[0].data, (float *)view->buf + level * cells, levels * cells, first, last, left);
            Py_END_ALLOW_THREADS
        }
        if (left == NULL)
            PyErr_NoMemory();
        else if (fit < all.count)
            PyErr_SetString(PyExc_ValueError, "a sweep is out of order, or leaves its tables");
        else
            found = Py_NewRef(Py_None);
        free(left);
        let_go(&all);
    }
    give_back(arrays, 2);
    return found;
}

PyMethodDef left_out_methods[] = {METHOD(left_out), {NULL, NULL, 0, NULL}};
