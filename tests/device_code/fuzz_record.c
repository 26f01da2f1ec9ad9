/* The reader of records, which the boot code keeps to itself. */
#include <string.h>

#include "seal_boot.c"

int read_record(const struct seal_product *product, const struct seal_crypto *crypto, uint32_t size, uint8_t *record);

int read_record(const struct seal_product *product, const struct seal_crypto *crypto, uint32_t size, uint8_t *record)
{
    static struct seal_work work;
    struct seal_boot boot;

    memset(&boot, 0, sizeof boot);
    boot.product = product;
    boot.crypto = crypto;
    boot.work = &work;
    boot.record_bytes = size;
    return is_record(&boot, record);
}
