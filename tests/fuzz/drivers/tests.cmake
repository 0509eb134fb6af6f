# Built with clang only, which brings libFuzzer: ninja fuzz_pdu && tests/fuzz_pdu -max_total_time=60 tests/fuzz/corpus/pdu
# The sources under test are compiled in, so that the fuzzer sees their branches.
if(CMAKE_C_COMPILER_ID MATCHES Clang)
  if(NOT TARGET fuzzers)
    add_custom_target(fuzzers)
  endif()
  set(drivers_room ${PROJECT_SOURCE_DIR}/drivers)
  add_executable(fuzz_pdu EXCLUDE_FROM_ALL ${CMAKE_CURRENT_SOURCE_DIR}/fuzz/drivers/fuzz_pdu.c ${drivers_room}/pdu.c
    ${drivers_room}/register_value.c)
  add_executable(fuzz_text EXCLUDE_FROM_ALL ${CMAKE_CURRENT_SOURCE_DIR}/fuzz/drivers/fuzz_text.c
    ${drivers_room}/text_template.c ${drivers_room}/bus_text.c)
  add_executable(fuzz_list EXCLUDE_FROM_ALL ${CMAKE_CURRENT_SOURCE_DIR}/fuzz/drivers/fuzz_list.c
    ${drivers_room}/text_template.c ${drivers_room}/bus_text.c)
  foreach(t fuzz_pdu fuzz_text fuzz_list)
    target_include_directories(${t} PRIVATE ${drivers_room})
    target_link_libraries(${t} PRIVATE drivers)
    target_compile_options(${t} PRIVATE -fsanitize=fuzzer,address,undefined)
    target_link_options(${t} PRIVATE -fsanitize=fuzzer,address,undefined)
    add_dependencies(fuzzers ${t})
  endforeach()
endif()
