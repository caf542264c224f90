/* The module itself. */

#include "borrow.h"

/* One array of every file. */
extern PyMethodDef point_methods[], stride_methods[];

MODULE(point_methods, stride_methods)
