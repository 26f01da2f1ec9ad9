/* Memory that has no value yet: MemorySanitizer reports what is decided by it, others find a pattern that is no answer. */
#ifndef UNSET_H
#define UNSET_H

#include <string.h>

#if defined(__has_feature)
#if __has_feature(memory_sanitizer)
#include <sanitizer/msan_interface.h>
#define UNSET(room, bytes) (memset(room, 0xA5, bytes), __msan_poison(room, bytes))
#endif
#endif
#ifndef UNSET
#define UNSET(room, bytes) (void)memset(room, 0xA5, bytes)
#endif

#endif
