# Built with clang only, which brings libFuzzer. The sources under test are compiled in, so that the fuzzer sees their
# branches.
if(CMAKE_C_COMPILER_ID MATCHES Clang)
  if(NOT TARGET fuzzers)
    add_custom_target(fuzzers)
  endif()
  set(client_room ${PROJECT_SOURCE_DIR}/daemon/client)
  add_executable(fuzz_record EXCLUDE_FROM_ALL ${CMAKE_CURRENT_SOURCE_DIR}/fuzz/client/fuzz_record.c
    ${client_room}/csv_stream.c ${client_room}/record_time.c ${client_room}/record_map.c ${client_room}/record_rows.c
    ${client_room}/record_replay.c)
  target_include_directories(fuzz_record PRIVATE ${client_room})
  target_compile_options(fuzz_record PRIVATE -fsanitize=fuzzer,address,undefined)
  target_link_options(fuzz_record PRIVATE -fsanitize=fuzzer,address,undefined)
  target_link_libraries(fuzz_record PRIVATE journal engine compute model m)
  add_dependencies(fuzzers fuzz_record)
endif()
