/* Cholesky factors of many covariances of one size, LANES of them side by side: for _densities in
   estimate/regularity.py, which takes LAPACK elsewhere. Sums are made in another order there. */

#include "kernels.h"
#include <math.h>
#include <stdlib.h>

enum { LANES = 8, MOST_ROWS = 4096 };

typedef double Side[LANES];

/* Where a row of a triangle begins. */
static inline Py_ssize_t row_of(Py_ssize_t row) { return row * (row + 1) / 2; }

#define EACH_LANE SIDE_BY_SIDE for (int l = 0; l < LANES; l++)

/* Factor triangles where they lie, row by row. The last row is no part of the covariance: its last element becomes the
   sum of its squares. inverse : (rows,) room for one over each pivot. Returns whether all are positive definite. */
WIDE static int factor(Side *all, Side *inverse, Py_ssize_t rows) {
    int good = 1;
    for (Py_ssize_t i = 0; i < rows; i++) {
        Side *row = all + row_of(i);
        Py_ssize_t j = 0;
        for (; j + 4 <= i; j += 4) { /* four columns at once, so that what is summed up stays in registers */
            const Side *a = all + row_of(j), *b = all + row_of(j + 1), *c = all + row_of(j + 2);
            const Side *d = all + row_of(j + 3), *over = inverse + j;
            Side p, q, r, s;
            EACH_LANE p[l] = row[j][l], q[l] = row[j + 1][l], r[l] = row[j + 2][l], s[l] = row[j + 3][l];
            for (Py_ssize_t k = 0; k < j; k++)
                EACH_LANE {
                    const double x = row[k][l];
                    p[l] -= x * a[k][l], q[l] -= x * b[k][l], r[l] -= x * c[k][l], s[l] -= x * d[k][l];
                }
            EACH_LANE {
                const double x = p[l] * over[0][l];
                const double y = (q[l] - x * b[j][l]) * over[1][l];
                const double z = (r[l] - x * c[j][l] - y * c[j + 1][l]) * over[2][l];
                const double w = (s[l] - x * d[j][l] - y * d[j + 1][l] - z * d[j + 2][l]) * over[3][l];
                row[j][l] = x, row[j + 1][l] = y, row[j + 2][l] = z, row[j + 3][l] = w;
            }
        }
        for (; j < i; j++) {
            const Side *a = all + row_of(j);
            for (Py_ssize_t k = 0; k < j; k++) EACH_LANE row[j][l] -= row[k][l] * a[k][l];
            EACH_LANE row[j][l] *= inverse[j][l];
        }
        for (Py_ssize_t k = 0; k < i; k++) EACH_LANE row[i][l] -= row[k][l] * row[k][l];
        if (i == rows - 1) {
            EACH_LANE row[i][l] = -row[i][l];
            break;
        }
        for (int l = 0; l < LANES; l++) good &= row[i][l] > 0;
        EACH_LANE row[i][l] = sqrt(row[i][l]), inverse[i][l] = 1 / row[i][l];
    }
    return good;
}

/* What is asked for, and room to work in. */
typedef struct {
    const double *covariances, *own, *factors, *value;
    double *found;
    Py_ssize_t many, shares, count, size;
    Side *given, *work, *inverse;
} Task;

/* Factor LANES of the covariances, from the one of this number on; the last of them stands in for more. */
static int factor_some(const Task *t, Py_ssize_t first) {
    const Py_ssize_t n = t->size, rows = n + 1;
    for (int l = 0; l < LANES; l++) {
        const double *one = t->covariances + (first + l < t->many ? first + l : t->many - 1) * n * n;
        for (Py_ssize_t j = 0; j < n; j++)
            for (Py_ssize_t i = j; i < n; i++) t->given[row_of(i) + j][l] = one[j * n + i];
    }
    for (Py_ssize_t f = 0; f < t->count * t->shares; f++) {
        const double *own = t->own + f % t->shares * n * n, by = t->factors[f / t->shares];
        for (Py_ssize_t i = 0; i < n; i++)
            for (Py_ssize_t j = 0; j <= i; j++) {
                const double more = own[j * n + i] * by;
                EACH_LANE t->work[row_of(i) + j][l] = t->given[row_of(i) + j][l] + more;
            }
        for (Py_ssize_t j = 0; j < rows; j++) EACH_LANE t->work[row_of(n) + j][l] = j < n ? t->value[j] : 0;
        if (!factor(t->work, t->inverse, rows)) return 0;
        for (int l = 0; l < LANES && first + l < t->many; l++)
            for (Py_ssize_t i = 0; i < rows; i++)
                t->found[(f * t->many + first + l) * rows + i] = t->work[row_of(i) + i][l];
    }
    return 1;
}

/* pivots(covariances, own, factors, value, found) -> bool: of each covariance with each own times each factor, the
   pivots of its Cholesky factor, and then value' covariance^-1 value; false where one is not positive definite.

   covariances (many, n, n), own (shares, n, n): of both, the upper half is read; factors (count,), value (n,),
   found (count, shares, many, n + 1). */
static PyObject *pivots(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    enum { COVARIANCES, OWN, FACTORS, VALUE, FOUND, ARRAYS };
    static const char *const kinds[] = {"f8r", "f8r", "f8r", "f8r", "f8w"};
    Array a[ARRAYS];
    if (count != ARRAYS) return PyErr_Format(PyExc_TypeError, "pivots takes %d arguments", ARRAYS);
    if (borrow_all(args, ARRAYS, kinds, a) < 0) return NULL;
    const Py_ssize_t n = a[VALUE].size;
    PyObject *told = NULL;
    if (n < 1 || n >= MOST_ROWS || a[COVARIANCES].view.ndim != 3 || a[OWN].view.ndim != 3)
        PyErr_SetString(PyExc_ValueError, "there are too few values, or too many, or no matrices");
    else {
        Task t = {a[COVARIANCES].data, a[OWN].data, a[FACTORS].data, a[VALUE].data, a[FOUND].data,
                  a[COVARIANCES].view.shape[0], a[OWN].view.shape[0], a[FACTORS].size, n, NULL, NULL, NULL};
        if (check_size(&a[COVARIANCES], t.many * n * n, "covariances") == 0 &&
            check_size(&a[OWN], t.shares * n * n, "own") == 0 &&
            check_size(&a[FOUND], t.count * t.shares * t.many * (n + 1), "found") == 0) {
            t.given = malloc((size_t)(2 * row_of(n + 1) + n + 1) * sizeof *t.given);
            int good = 1;
            if (t.given != NULL) {
                t.work = t.given + row_of(n + 1);
                t.inverse = t.work + row_of(n + 1);
                Py_BEGIN_ALLOW_THREADS
                for (Py_ssize_t first = 0; good && first < t.many; first += LANES) good = factor_some(&t, first);
                Py_END_ALLOW_THREADS
            }
            told = t.given == NULL ? PyErr_NoMemory() : PyBool_FromLong(good);
            free(t.given);
        }
    }
    give_back(a, ARRAYS);
    return told;
}

PyMethodDef likelihood_methods[] = {METHOD(pivots), {NULL, NULL, 0, NULL}};
