// Work at 1/2, 1/4 or 1/8 of the size (Stack.proxy): the stack that is really planned.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "google/protobuf/message.h"
#include "proto/job.pb.h"
#include "proto/stack.pb.h"
#include "server/plan/plan.h"

namespace selvage::plan {

// 1 for the full size.
inline uint32_t ProxyOf(const Stack& stack) { return stack.has_proxy() ? stack.proxy() : 1; }

// The name that results of the stack are remembered by: of each size apart, so that none
// is compared with, or stands in for, one of another size. "apiary_010", "apiary_010@1/2";
// no stack has a name like the latter.
std::string HistoryName(const std::string& stack, uint32_t proxy);
// Of every size, the full one first.
std::vector<std::string> HistoryNames(const std::string& stack);

// What does not allow that size: a proxy that there is none of, a format of fewer pixels, a
// picture in which no noise can be measured. `format`: at full size; 0 x 0 if it is not known.
std::vector<StackError> CheckProxy(const Stack& stack, const Format& format);

// Divided by the proxy and rounded up.
Format Reduced(const Format& format, uint32_t proxy);
// The stack as it is planned, with all that is given in pixels divided by its proxy: format,
// numbers whose unit is px or square px, boxes, paths. A default in pixels is written out.
// The proxy stays, for plates are still to be reduced. `format`: at full size.
// REQUIRES: Validate and CheckProxy found nothing.
Stack Reduced(const Stack& stack, const Format& format);
// The same of a target; what a look says of its own pixels stays.
Target Reduced(const Target& target, const Format& format, uint32_t proxy);

// Parameters of a reduced stack as its author wrote them, or nearly so where they were
// rounded: for people.
void Enlarge(uint32_t proxy, google::protobuf::Message* params);

}  // namespace selvage::plan
