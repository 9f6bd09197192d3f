/* Tells on standard output: "failed LINE" for each check that failed, then "done CHECKS". */
#include <stdio.h>

#include "report.h"

static unsigned long checks;
static unsigned long failures;

void report_check(bool passed, uint16_t line)
{
    checks++;
    if (!passed && ++failures <= 20ul) {
        printf("failed %u\n", (unsigned)line);
    }
}

int main(void)
{
    test();
    printf("done %lu\n", checks);
    return failures != 0ul;
}
