/* What every unit test includes: cmocka with what it needs before it. */
#ifndef LOOMTAP_TESTS_UNIT_H
#define LOOMTAP_TESTS_UNIT_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#define COUNT_OF(array) (sizeof(array) / sizeof *(array))

#endif
